//! Labels on a real IPP printer: `ippeveprinter` (Debian: cups-ipp-utils and dbus).
//! Skipped, and said so, where it is not installed.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use std::fs;
use std::net::TcpListener;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use bus::retry::Backoff;
use bus::{Clock, Outbox};
use facts::SiteId;
use label_printer::{NetworkPrinter, Press, Printer, Seen, Trouble};
use labels::{Dpi, LabelJob, WheelLabel};
use tempfile::TempDir;

/// A printer's script that waits until somebody makes the file `gate`, or the test is over.
const WAIT: &str = "while [ -e paper ] && [ ! -e gate ]; do sleep 0.1; done";

/// A printer whose labels come out as files, printed by a shell script.
struct Device {
    dir: TempDir,
    port: u16,
    /// The printer, and the private message bus that it will not start without.
    running: Vec<Child>,
}

impl Device {
    /// A device that is still switched off. `script` runs for every label, in the
    /// device's folder, before the label drops out as `paper/<job name>.<n>.png`.
    fn off(script: &str) -> Option<Self> {
        if program("ippeveprinter").is_none() || program("dbus-daemon").is_none() {
            eprintln!("skipped: install cups-ipp-utils and dbus to test network printers");
            return None;
        }
        let dir = tempfile::tempdir().unwrap();
        for folder in ["paper", "spool"] {
            fs::create_dir(dir.path().join(folder)).unwrap();
        }
        let print = dir.path().join("print.sh");
        let here = dir.path().display();
        let text =
            format!("#!/bin/sh\ncd '{here}'\n{script}\ncp \"$1\" \"paper/$IPP_JOB_NAME.$$.png\"\n");
        fs::write(&print, text).unwrap();
        fs::set_permissions(&print, fs::Permissions::from_mode(0o755)).unwrap();
        // Free now; nobody else asks for ports in the moment until the printer takes it.
        let port = TcpListener::bind("127.0.0.1:0")
            .unwrap()
            .local_addr()
            .unwrap()
            .port();
        Some(Self {
            dir,
            port,
            running: Vec::new(),
        })
    }

    fn on(script: &str) -> Option<Self> {
        let mut device = Self::off(script)?;
        device.switch_on();
        Some(device)
    }

    fn switch_on(&mut self) {
        let socket = format!("unix:path={}", self.file("bus").display());
        let bus = Command::new(program("dbus-daemon").unwrap())
            .args(["--session", "--nofork", "--nopidfile", "--address", &socket])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        self.running.push(bus);
        while !self.file("bus").exists() {
            std::thread::yield_now();
        }
        let printer = Command::new(program("ippeveprinter").unwrap())
            .env("DBUS_SYSTEM_BUS_ADDRESS", &socket)
            .args(["-r", "off", "-n", "localhost", "-f", "image/png"])
            .arg("-p")
            .arg(self.port.to_string())
            .arg("-d")
            .arg(self.file("spool"))
            .arg("-c")
            .arg(self.file("print.sh"))
            .arg("Labels")
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        self.running.push(printer);
    }

    fn switch_off(&mut self) {
        for mut child in self.running.drain(..).rev() {
            child.kill().unwrap();
            child.wait().unwrap();
        }
        let _ = fs::remove_file(self.file("bus"));
    }

    fn file(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn printer(&self) -> NetworkPrinter {
        NetworkPrinter::new(&format!("ipp://127.0.0.1:{}/ipp/print", self.port)).unwrap()
    }

    fn press(&self, disk: &str) -> (Press<NetworkPrinter>, Outbox) {
        let site = SiteId::new("larkholm").unwrap();
        let outbox = Outbox::open(&self.file(disk), site).unwrap();
        let press = Press::new(self.printer(), Dpi::D203, outbox.clone(), Clock::system()).unwrap();
        (press, outbox)
    }

    /// What has come out, by job name without the copy's number.
    fn paper(&self) -> Vec<(String, Vec<u8>)> {
        let mut paper: Vec<_> = fs::read_dir(self.file("paper"))
            .unwrap()
            .map(|file| file.unwrap().path())
            .map(|path| (stem(&stem(&path)), fs::read(&path).unwrap()))
            .map(|(name, png)| (name.display().to_string(), png))
            .collect();
        paper.sort();
        paper
    }
}

impl Drop for Device {
    fn drop(&mut self) {
        self.switch_off();
    }
}

fn stem(path: &Path) -> PathBuf {
    PathBuf::from(path.file_stem().unwrap())
}

fn program(name: &str) -> Option<PathBuf> {
    ["/usr/bin", "/usr/sbin", "/usr/local/bin", "/usr/local/sbin"]
        .into_iter()
        .map(|dir| Path::new(dir).join(name))
        .find(|path| path.exists())
}

fn job(wheel: &str, cause: u8) -> LabelJob {
    serde_json::from_value(serde_json::json!({
        "cause": format!("01890a5d-ac96-774b-bcce-b302099a80{cause:02x}"),
        "wheel": wheel,
        "batch": "B311",
        "product": "Larkholm Blue",
        "made": "2026-01-28",
        "weight_g": 10_886,
        "raw_milk": false,
        "site_name": "Larkholm Dairy",
    }))
    .unwrap()
}

fn name(job: &LabelJob) -> String {
    format!("{}-{}", job.wheel, job.cause)
}

/// A test that hangs must still switch its printer off.
async fn in_time<T>(work: impl Future<Output = T>) -> T {
    tokio::time::timeout(Duration::from_secs(60), work)
        .await
        .expect("the labels came out within a minute")
}

/// Asks until the answer is the awaited one.
async fn until<T, F: Future<Output = T>>(ask: impl Fn() -> F, awaited: impl Fn(&T) -> bool) -> T {
    let mut backoff = Backoff::default();
    loop {
        let answer = ask().await;
        if awaited(&answer) {
            return answer;
        }
        backoff.wait().await;
    }
}

#[tokio::test]
async fn a_label_arrives_dot_for_dot_and_once_even_when_our_disk_forgets() {
    let Some(device) = Device::on("true") else {
        return;
    };
    let label = job("B311-07", 1);
    let (mut press, outbox) = device.press("first");
    in_time(press.print(&label)).await.unwrap();
    in_time(press.print(&label)).await.unwrap();
    assert_eq!(outbox.waiting(), 1);
    let png = WheelLabel::new(&label, Dpi::D203).unwrap().png().unwrap();
    assert_eq!(device.paper(), [(name(&label), png.clone())]);

    let (mut forgetful, outbox) = device.press("second");
    in_time(forgetful.print(&label)).await.unwrap();
    assert_eq!(outbox.waiting(), 1);
    assert_eq!(
        device.paper(),
        [(name(&label), png)],
        "the printer knew it by name"
    );
}

#[tokio::test]
async fn labels_wait_for_a_printer_that_is_busy_with_another() {
    let Some(device) = Device::on(WAIT) else {
        return;
    };
    let (one, two) = (job("B311-07", 1), job("B311-08", 2));
    let (mut first, _) = device.press("first");
    let (mut second, _) = device.press("second");
    let printer = device.printer();
    let open = async {
        let _ = until(
            || printer.send("impatient", vec![0]),
            |answer| *answer == Err(Trouble::Busy),
        )
        .await;
        fs::write(device.file("gate"), "").unwrap();
    };
    let start = async {
        let taken = |seen: &Result<Seen, _>| matches!(seen, Ok(Seen::Working(_)));
        let named = name(&one);
        let _ = until(|| printer.find(&named), taken).await;
        tokio::join!(second.print(&two), open).0
    };
    let (printed_one, printed_two) =
        in_time(async { tokio::join!(first.print(&one), start) }).await;
    printed_one.unwrap();
    printed_two.unwrap();
    let names: Vec<_> = device.paper().into_iter().map(|(name, _)| name).collect();
    assert_eq!(names, [name(&one), name(&two)]);
}

#[tokio::test]
async fn a_label_that_the_printer_gives_up_is_sent_again() {
    let Some(device) = Device::on("[ -e tried ] || { touch tried; exit 1; }") else {
        return;
    };
    let label = job("B311-07", 1);
    let (mut press, outbox) = device.press("disk");
    in_time(press.print(&label)).await.unwrap();
    assert_eq!(device.paper().len(), 1);
    assert_eq!(outbox.waiting(), 1);
}

#[tokio::test]
async fn a_printer_out_of_labels_says_so_and_prints_when_it_has_some() {
    let script = "echo 'STATE: +media-empty-error' >&2
        while [ -e paper ] && [ ! -e gate ]; do sleep 0.1; done
        echo 'STATE: -media-empty-error' >&2";
    let Some(device) = Device::on(script) else {
        return;
    };
    let label = job("B311-07", 1);
    let (mut press, _outbox) = device.press("disk");
    let printer = device.printer();
    let refill = async {
        let named = name(&label);
        let taken = |seen: &Result<Seen, _>| matches!(seen, Ok(Seen::Working(_)));
        let Ok(Seen::Working(number)) = until(|| printer.find(&named), taken).await else {
            panic!("the label did not arrive");
        };
        let trouble = until(|| printer.watch(number), Result::is_err)
            .await
            .unwrap_err();
        assert!(
            matches!(&trouble, Trouble::Stopped(why) if why.contains("media-empty")),
            "{trouble}"
        );
        fs::write(device.file("gate"), "").unwrap();
    };
    let (printed, ()) = in_time(async { tokio::join!(press.print(&label), refill) }).await;
    printed.unwrap();
    assert_eq!(device.paper().len(), 1);
}

#[tokio::test]
async fn labels_wait_for_a_printer_that_is_switched_off_also_in_the_middle_of_one() {
    let Some(mut device) = Device::off(WAIT) else {
        return;
    };
    let label = job("B311-07", 1);
    let (mut press, outbox) = device.press("disk");
    let printer = device.printer();
    let people = async {
        let silent = until(|| printer.find("x"), Result::is_err)
            .await
            .unwrap_err();
        assert!(matches!(silent, Trouble::Silent(_)), "{silent}");
        device.switch_on();
        let named = name(&label);
        let taken = |seen: &Result<Seen, _>| matches!(seen, Ok(Seen::Working(_)));
        let _ = until(|| printer.find(&named), taken).await;
        device.switch_off();
        fs::write(device.file("gate"), "").unwrap();
        device.switch_on();
    };
    let (printed, ()) = in_time(async { tokio::join!(press.print(&label), people) }).await;
    printed.unwrap();
    assert_eq!(outbox.waiting(), 1);
    assert!(!device.paper().is_empty());
}
