//! The program under test, as people run it.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{ExitStatus, Stdio};

use tokio::io::AsyncWriteExt as _;
use tokio::process::{Child, Command};

use crate::within;

/// The project's folder.
#[must_use]
pub fn project() -> &'static Path {
    Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/.."))
}

/// The program: built beside the tests, in the same profile.
///
/// # Panics
/// When it is not there.
#[must_use]
pub fn wheelward() -> PathBuf {
    // target/<profile>/deps/<this test>
    let test = std::env::current_exe().expect("this test's own file");
    let profile = test.parent().and_then(Path::parent).expect("target folder");
    let program = profile.join("wheelward");
    assert!(
        program.is_file(),
        "{} is not there: run `cargo build --workspace` before these tests",
        program.display()
    );
    program
}

/// Copies a folder with all that is in it.
///
/// # Panics
/// When it cannot.
pub fn copy_folder(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("a folder");
    for entry in std::fs::read_dir(from).expect("its entries") {
        let entry = entry.expect("an entry");
        let to = to.join(entry.file_name());
        if entry.file_type().expect("its type").is_dir() {
            copy_folder(&entry.path(), &to);
        } else {
            std::fs::copy(entry.path(), to).expect("a copy");
        }
    }
}

/// What a run of the program came to.
#[derive(Debug)]
pub struct Said {
    /// Its exit code; none when a signal ended it.
    pub code: Option<i32>,
    /// Its answers.
    pub out: String,
    /// Its messages.
    pub err: String,
}

impl Said {
    /// The answers, of a run that must have gone well.
    ///
    /// # Panics
    /// When it did not.
    #[must_use]
    pub fn well(self) -> String {
        assert_eq!(self.code, Some(0), "{}\n{}", self.out, self.err);
        self.out
    }
}

/// Runs the program to its end.
pub async fn run<S: AsRef<std::ffi::OsStr>>(args: &[S]) -> Said {
    run_in(project(), args).await
}

/// Runs the program in a folder to its end.
///
/// # Panics
/// When it does not start or does not end.
pub async fn run_in<S: AsRef<std::ffi::OsStr>>(folder: &Path, args: &[S]) -> Said {
    run_typing(folder, args, "").await
}

/// Runs the program in a folder to its end, with something typed.
///
/// # Panics
/// When it does not start or does not end.
pub async fn run_typing<S: AsRef<std::ffi::OsStr>>(folder: &Path, args: &[S], typed: &str) -> Said {
    let mut child = command(folder, args)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    let mut stdin = child.stdin.take().expect("its input");
    // A program that reads nothing may have closed it already.
    let _ = stdin.write_all(typed.as_bytes()).await;
    drop(stdin);
    let running = child.wait_with_output();
    let words: Vec<_> = args.iter().map(|a| a.as_ref().to_string_lossy()).collect();
    let ended = within(&format!("`wheelward {}`", words.join(" ")), running)
        .await
        .expect("its output");
    Said {
        code: ended.status.code(),
        out: String::from_utf8_lossy(&ended.stdout).into_owned(),
        err: String::from_utf8_lossy(&ended.stderr).into_owned(),
    }
}

fn command<S: AsRef<std::ffi::OsStr>>(folder: &Path, args: &[S]) -> Command {
    let mut command = Command::new(wheelward());
    command.args(args).current_dir(folder).kill_on_drop(true);
    // Whoever runs the tests may have a floor of their own.
    for (name, _) in std::env::vars_os() {
        let text = name.to_string_lossy();
        if text.starts_with("WHEELWARD_") && text != "WHEELWARD_NATS_SERVER" {
            command.env_remove(name);
        }
    }
    command
}

/// The program while it runs. Dropping it kills it.
#[derive(Debug)]
pub struct Worker {
    child: Child,
    log: PathBuf,
}

impl Worker {
    /// Starts it, logging to a file, to which an earlier run may have logged.
    ///
    /// # Panics
    /// When it does not start.
    pub fn start<S: AsRef<std::ffi::OsStr>>(folder: &Path, log: PathBuf, args: &[S]) -> Self {
        let file = File::options()
            .create(true)
            .append(true)
            .open(&log)
            .expect("a log file");
        let child = command(folder, args)
            .stdin(Stdio::null())
            .stdout(file.try_clone().expect("a second handle"))
            .stderr(file)
            .spawn()
            .expect("the program starts");
        Self { child, log }
    }

    /// Its process.
    ///
    /// # Panics
    /// When it has ended.
    #[must_use]
    pub fn pid(&self) -> u32 {
        self.child.id().expect("it runs")
    }

    /// Whether it has ended.
    #[must_use]
    pub fn has_ended(&self) -> bool {
        let Some(pid) = self.child.id() else {
            return true;
        };
        // `pid (name) state …`, Z of one that nobody has taken note of.
        let stat = std::fs::read_to_string(format!("/proc/{pid}/stat")).unwrap_or_default();
        stat.rsplit_once(") ")
            .is_none_or(|(_, rest)| rest.starts_with('Z'))
    }

    /// What it and its earlier runs said.
    #[must_use]
    pub fn log(&self) -> String {
        std::fs::read_to_string(&self.log).unwrap_or_default()
    }

    /// Kills it as a crash would (SIGKILL), and waits until it is gone.
    ///
    /// # Panics
    /// When it had ended by itself.
    pub async fn kill_hard(mut self) {
        let ended = self.child.try_wait().expect("its state");
        assert!(ended.is_none(), "it had ended ({ended:?})\n{}", self.log());
        within("a killed process to go", self.child.kill())
            .await
            .expect("it is killed");
    }

    /// Sends it a signal by name, and waits until it has ended.
    ///
    /// # Panics
    /// When it does not end.
    pub async fn end(&mut self, signal: &str) -> ExitStatus {
        let sent = Command::new("sh")
            .args(["-c", &format!("kill -{signal} {}", self.pid())])
            .status();
        assert!(within("kill", sent).await.expect("a shell").success());
        within("the program to end", self.child.wait())
            .await
            .expect("its exit status")
    }

    /// Waits until it ends by itself.
    pub async fn ended(&mut self) -> ExitStatus {
        within("the program to end by itself", self.child.wait())
            .await
            .expect("its exit status")
    }
}
