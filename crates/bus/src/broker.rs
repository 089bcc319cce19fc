//! A broker as a child process, for a site that has none of its own.
//!
//! The child ends with us in every case: its shell waits on a pipe that we hold, and stops
//! the broker when the pipe closes, even when we were killed. It is in its own process
//! group, so that Ctrl-C reaches the workers first and their last facts still get stored.

use std::collections::{BTreeMap, VecDeque};
use std::fs::{File, OpenOptions};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::Duration;

use tokio::io::{AsyncBufReadExt as _, AsyncWriteExt as _, BufReader, Lines};
use tokio::process::{Child, ChildStderr, ChildStdin, Command};

use crate::Keys;
use crate::permissions::{self, ACCOUNT, Grants, SENSORS};
use crate::retry::Backoff;

/// The configuration of a single broker, as it is shipped.
pub const SINGLE_CONF: &str = include_str!("../../../deploy/nats/single.conf");

/// What `SINGLE_CONF` listens on and where it keeps the facts; a child has its own.
const SINGLE_LISTEN: &str = "127.0.0.1:4222";
const SINGLE_STORE: &str = "/var/lib/wheelward/broker";

/// The oldest broker that can be used at all.
const OLDEST: Version = Version(2, 11);
/// The oldest broker with atomic batches.
const PREFERRED: Version = Version(2, 12);

/// How long a broker may take to read its folder and answer.
const STARTS_WITHIN: Duration = Duration::from_secs(120);

/// How long the broker before us may take to let go of the folder.
const LETS_GO_WITHIN: Duration = Duration::from_secs(5);

/// Lines of the broker's own log kept to explain why it ended.
const LINES_KEPT: usize = 5;

/// Runs "$@" until it ends or standard input does; a line on standard input names the
/// signal to end it with.
const KEEPER: &str = r#"
exec 3<&0
"$@" </dev/null 3<&- &
broker=$!
{ read -r signal <&3; kill -s "${signal:-TERM}" "$broker"; } >/dev/null 2>&1 &
watcher=$!
wait "$broker"
code=$?
kill "$watcher" 2>/dev/null
exit "$code"
"#;

/// Why there is no broker.
#[derive(Debug, thiserror::Error)]
pub enum BrokerError {
    /// No program.
    #[error(
        "no nats-server {OLDEST} or newer was found: run scripts/tools, which installs one under .tools, or install it and put it on PATH, or name it in WHEELWARD_NATS_SERVER"
    )]
    NotFound,
    /// The program named is none.
    #[error(
        "WHEELWARD_NATS_SERVER names {}, which is not a nats-server {OLDEST} or newer: name another or unset it", .0.display()
    )]
    Named(PathBuf),
    /// The folder is taken.
    #[error(
        "another broker is still using {}: stop it first, or give this one its own folder", .0.display()
    )]
    InUse(PathBuf),
    /// The port is taken.
    #[error(
        "port {0} is taken by another program: stop that one, or choose another port, or use the broker that runs there with --broker nats://127.0.0.1:{0}"
    )]
    PortTaken(u16),
    /// There are facts in two places.
    #[error(
        "there are two logs in {}: one in the folder {ACCOUNT} and one in $G, made by an older version of this program or by a broker without accounts. Nothing was changed. Move the one that is not the dairy's log out of there, keep it, and start again", .0.display()
    )]
    TwoLogs(PathBuf),
    /// The folder cannot be used.
    #[error("cannot use the broker's folder {}: {reason}", .dir.display())]
    Folder {
        /// The folder.
        dir: PathBuf,
        /// What the system said.
        reason: String,
    },
    /// It ended.
    #[error("the broker ended: {0}")]
    Ended(String),
    /// It does not get ready.
    #[error("the broker was not ready within {STARTS_WITHIN:?}: look at its log above")]
    Slow,
}

/// Who may do what at a broker of our own.
#[derive(Debug, Clone)]
pub struct Guard {
    /// Users and what they may do.
    pub grants: Grants,
    /// Where room sensors speak MQTT 3.1.1 with it, if they do.
    pub mqtt: Option<Mqtt>,
}

/// Where room sensors speak with a broker.
#[derive(Debug, Clone, Copy)]
pub struct Mqtt {
    /// Where it listens.
    pub listen: SocketAddr,
    /// Whether a sensor that gives no password may say what the air is like, too. It can do
    /// nothing else; but then anyone on its network can.
    pub without_password: bool,
}

/// A running broker that belongs to us. Dropping it stops it, without waiting.
pub struct ChildBroker {
    child: Child,
    /// Closing it stops the broker.
    keeper: Option<ChildStdin>,
    port: u16,
    keys: Option<Keys>,
}

impl ChildBroker {
    /// Starts a broker on a free loopback port, with its facts in `data_dir`. It asks nobody
    /// who they are: for trials only.
    ///
    /// # Errors
    /// [`BrokerError`] says what to do.
    pub async fn start(data_dir: &Path) -> Result<Self, BrokerError> {
        Self::run(data_dir, None, None).await
    }

    /// Starts a broker on a free loopback port with users, passwords and permissions, kept in
    /// its folder. Facts that were stored there before it had users are still there.
    ///
    /// # Errors
    /// [`BrokerError`] says what to do.
    pub async fn start_guarded(data_dir: &Path, guard: &Guard) -> Result<Self, BrokerError> {
        Self::run(data_dir, None, Some(guard)).await
    }

    /// Starts a broker with users on the given loopback port.
    ///
    /// # Errors
    /// [`BrokerError`] says what to do.
    pub async fn start_guarded_on(
        data_dir: &Path,
        guard: &Guard,
        port: u16,
    ) -> Result<Self, BrokerError> {
        Self::run(data_dir, Some(port), Some(guard)).await
    }

    /// Starts a broker that asks nobody on the given loopback port: for trials only.
    ///
    /// # Errors
    /// [`BrokerError`] says what to do.
    pub async fn start_on(data_dir: &Path, port: u16) -> Result<Self, BrokerError> {
        Self::run(data_dir, Some(port), None).await
    }

    async fn run(
        data_dir: &Path,
        port: Option<u16>,
        guard: Option<&Guard>,
    ) -> Result<Self, BrokerError> {
        let program = tokio::task::spawn_blocking(find)
            .await
            .map_err(|e| BrokerError::Ended(e.to_string()))??;
        let in_folder = |error: std::io::Error| BrokerError::Folder {
            dir: data_dir.to_owned(),
            reason: error.to_string(),
        };
        std::fs::create_dir_all(data_dir).map_err(in_folder)?;
        let config = data_dir.join("nats.conf");
        let text = child_config(data_dir, port, guard).map_err(in_folder)?;
        // The broker inherits the lock as its standard output and so holds it while it lives.
        let lock = lock(data_dir).await?;
        std::fs::write(&config, text).map_err(in_folder)?;
        let keys = match guard {
            Some(guard) => {
                let file = data_dir.join(PERMISSIONS);
                std::fs::write(file, permissions::conf(&guard.grants, &BTreeMap::new()))
                    .map_err(in_folder)?;
                bring_over(data_dir)?;
                Some(Keys::keep(data_dir, guard.grants.users()).map_err(in_folder)?)
            }
            None => None,
        };
        let passwords = keys.iter().flat_map(Keys::iter);
        let passwords =
            passwords.map(|(user, word)| (permissions::variable(user), word.to_owned()));
        let mut child = Command::new("/bin/sh")
            .args(["-c", KEEPER, "broker"])
            .envs(passwords)
            .arg(program)
            .arg("--config")
            .arg(&config)
            .stdin(Stdio::piped())
            .stdout(lock)
            .stderr(Stdio::piped())
            .process_group(0)
            .spawn()
            .map_err(in_folder)?;
        let keeper = child.stdin.take();
        let Some(log) = child.stderr.take() else {
            return Err(BrokerError::Ended("it has no log".to_owned()));
        };
        let mut log = Log::of(log);
        let port = tokio::time::timeout(STARTS_WITHIN, log.ready(port))
            .await
            .map_err(|_| BrokerError::Slow)??;
        tokio::spawn(log.follow());
        Ok(Self {
            child,
            keeper,
            port,
            keys,
        })
    }

    /// Its users' passwords, if it asks who is there.
    #[must_use]
    pub const fn keys(&self) -> Option<&Keys> {
        self.keys.as_ref()
    }

    /// The address under which a user signs in.
    #[must_use]
    pub fn url_of(&self, user: &str) -> String {
        match &self.keys {
            Some(keys) => keys.sign_in(&self.url(), user),
            None => self.url(),
        }
    }

    /// Its address, for whoever may do without signing in, or signs in otherwise.
    #[must_use]
    pub fn url(&self) -> String {
        format!("nats://127.0.0.1:{}", self.port)
    }

    /// Its port.
    #[must_use]
    pub const fn port(&self) -> u16 {
        self.port
    }

    /// Stops it in order and waits until it has ended.
    pub async fn stop(mut self) {
        self.keeper = None;
        let _ = self.child.wait().await;
    }

    /// Kills it as a crash would, and waits until it has ended.
    pub async fn kill_hard(mut self) {
        if let Some(keeper) = &mut self.keeper {
            let _ = keeper.write_all(b"KILL\n").await;
        }
        let _ = self.child.wait().await;
    }

    /// Waits until it ends by itself, which it should not.
    pub async fn ended(&mut self) -> BrokerError {
        match self.child.wait().await {
            Ok(status) => BrokerError::Ended(format!("{status}; its log is above")),
            Err(error) => BrokerError::Ended(error.to_string()),
        }
    }
}

/// The file with the permissions, in the broker's folder.
const PERMISSIONS: &str = "permissions.conf";

/// The shipped configuration with the child's own folder and port (`None`: any free one),
/// its users, and where it listens for sensors.
fn child_config(
    data_dir: &Path,
    port: Option<u16>,
    guard: Option<&Guard>,
) -> std::io::Result<String> {
    let dir = std::path::absolute(data_dir)?;
    let dir = dir
        .to_str()
        .ok_or_else(|| std::io::Error::other("its name is not UTF-8: choose another"))?;
    let dir = dir.replace('\\', r"\\").replace('"', r#"\""#);
    let port = port.map_or(-1, i32::from);
    let mut text = SINGLE_CONF
        .replace(SINGLE_LISTEN, &format!("127.0.0.1:{port}"))
        .replace(SINGLE_STORE, &dir);
    if let Some(guard) = guard {
        text.push_str(&format!("\ninclude \"{PERMISSIONS}\"\n"));
        if let Some(Mqtt {
            listen,
            without_password,
        }) = guard.mqtt
        {
            text.push_str(&format!("\nmqtt {{\n    listen: \"{listen}\"\n"));
            if without_password {
                text.push_str(&format!("    no_auth_user: \"{SENSORS}\"\n"));
            }
            text.push_str("}\n");
        }
    }
    Ok(text)
}

/// Facts that were stored before the broker had accounts lie under the account of everyone,
/// `$G`: they are moved, whole, to that of the workers. A rename within one folder, so that a
/// crash leaves them in one place or the other.
fn bring_over(data_dir: &Path) -> Result<(), BrokerError> {
    let store = data_dir.join("jetstream");
    let (everyones, workers) = (store.join("$G"), store.join(ACCOUNT));
    let has_log = |account: &Path| account.join("streams").join(crate::FLOOR).exists();
    if !has_log(&everyones) {
        return Ok(());
    }
    if has_log(&workers) {
        return Err(BrokerError::TwoLogs(store));
    }
    let wrong = |error: std::io::Error| BrokerError::Folder {
        dir: store.clone(),
        reason: error.to_string(),
    };
    match std::fs::remove_dir_all(&workers) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(wrong(error)),
        _ => {}
    }
    std::fs::rename(&everyones, &workers).map_err(wrong)?;
    tracing::info!("the log was stored before the broker had users: it is the workers' now");
    Ok(())
}

/// Takes the folder for a broker, waiting a little for the one before to let go.
async fn lock(dir: &Path) -> Result<File, BrokerError> {
    let file = OpenOptions::new()
        .create(true)
        .append(true)
        .open(dir.join("broker.lock"))
        .map_err(|error| BrokerError::Folder {
            dir: dir.to_owned(),
            reason: error.to_string(),
        })?;
    let taking = async {
        let mut backoff = Backoff::new(Duration::from_millis(10), Duration::from_millis(200));
        while file.try_lock().is_err() {
            backoff.wait().await;
        }
    };
    match tokio::time::timeout(LETS_GO_WITHIN, taking).await {
        Ok(()) => Ok(file),
        Err(_) => Err(BrokerError::InUse(dir.to_owned())),
    }
}

/// The broker's own log: waited on at the start, then passed on.
struct Log {
    lines: Lines<BufReader<ChildStderr>>,
    last: VecDeque<String>,
}

impl Log {
    fn of(stderr: ChildStderr) -> Self {
        Self {
            lines: BufReader::new(stderr).lines(),
            last: VecDeque::new(),
        }
    }

    async fn line(&mut self) -> Option<String> {
        let line = self.lines.next_line().await.ok()??;
        if ["[WRN]", "[ERR]", "[FTL]"]
            .iter()
            .any(|tag| line.contains(tag))
        {
            tracing::warn!(target: "broker", "{line}");
        } else {
            tracing::debug!(target: "broker", "{line}");
        }
        if self.last.len() == LINES_KEPT {
            self.last.pop_front();
        }
        self.last.push_back(line.clone());
        Some(line)
    }

    /// Reads until the broker is ready; gives its port.
    async fn ready(&mut self, asked: Option<u16>) -> Result<u16, BrokerError> {
        const LISTENS: &str = "Listening for client connections on ";
        let mut port = asked;
        while let Some(line) = self.line().await {
            if let Some((_, address)) = line.split_once(LISTENS) {
                port = address
                    .rsplit(':')
                    .next()
                    .and_then(|p| p.trim().parse().ok());
            } else if line.contains("Server is ready")
                && let Some(port) = port
            {
                return Ok(port);
            } else if line.contains("address already in use")
                && let Some(port) = asked
            {
                return Err(BrokerError::PortTaken(port));
            }
        }
        Err(BrokerError::Ended(self.last.make_contiguous().join("; ")))
    }

    async fn follow(mut self) {
        while self.line().await.is_some() {}
    }
}

/// A release's first two numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Version(u32, u32);

impl std::fmt::Display for Version {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}.{}", self.0, self.1)
    }
}

/// Finds the broker's program: what `WHEELWARD_NATS_SERVER` names, else the one on PATH or
/// the one that `scripts/tools` installed under `.tools`, whichever has atomic batches.
///
/// # Errors
/// [`BrokerError::NotFound`] or [`BrokerError::Named`].
pub fn find() -> Result<PathBuf, BrokerError> {
    if let Some(named) = std::env::var_os("WHEELWARD_NATS_SERVER").filter(|n| !n.is_empty()) {
        let named = PathBuf::from(named);
        return match version(&named) {
            Some(version) if version >= OLDEST => Ok(named),
            _ => Err(BrokerError::Named(named)),
        };
    }
    let mut good_enough = None;
    for program in candidates() {
        match version(&program) {
            Some(version) if version >= PREFERRED => return Ok(program),
            Some(version) if version >= OLDEST => good_enough = good_enough.or(Some(program)),
            _ => {}
        }
    }
    good_enough.ok_or(BrokerError::NotFound)
}

fn candidates() -> Vec<PathBuf> {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let on_path = std::env::split_paths(&path).map(|dir| dir.join("nats-server"));
    let here = std::env::current_dir().ok();
    let ours = std::env::current_exe().ok();
    let above = [here, ours].into_iter().flatten().flat_map(|from| {
        from.ancestors()
            .map(|dir| dir.join(".tools/nats/bin/nats-server"))
            .collect::<Vec<_>>()
    });
    on_path.chain(above).filter(|p| p.is_file()).collect()
}

fn version(program: &Path) -> Option<Version> {
    let output = std::process::Command::new(program)
        .arg("--version")
        .stdin(Stdio::null())
        .output()
        .ok()?;
    let text = String::from_utf8_lossy(&output.stdout);
    // "nats-server: v2.15.1"
    let number = text.trim().strip_prefix("nats-server: v")?;
    let mut parts = number.split('.');
    Some(Version(
        parts.next()?.parse().ok()?,
        parts.next()?.parse().ok()?,
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_childs_configuration_differs_from_the_shipped_one_in_folder_and_port_only() {
        let text = child_config(Path::new("/srv/a \"b\""), None, None).unwrap();
        let differing: Vec<_> = SINGLE_CONF
            .lines()
            .zip(text.lines())
            .filter(|(shipped, child)| shipped != child)
            .map(|(_, child)| child.trim())
            .collect();
        assert_eq!(
            differing,
            [r#"listen: "127.0.0.1:-1""#, r#"store_dir: "/srv/a \"b\"""#]
        );
    }
}
