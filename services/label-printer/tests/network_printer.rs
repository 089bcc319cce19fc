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
use facts::{SiteId, StationId};
use label_printer::{
    Abilities, Books, Form, Found, NetworkPrinter, Noted, Office, Press, Printer, Seen, Trouble,
};
use labels::{DotType, Dpi, Drawing, Kind, Label, LabelJob, Templates};
use tempfile::TempDir;

/// A printer's script that waits until somebody makes the file `gate`, or the test is over.
const WAIT: &str = "while [ -e paper ] && [ ! -e gate ]; do sleep 0.1; done";

/// A label printer of 203 dots an inch with wheel labels in it.
const LABEL_PRINTER: Kit = Kit {
    formats: "image/pwg-raster,image/png,application/pdf",
    dots: "203dpi",
    types: "black_1,sgray_8",
    ready: "oe_wheel-label_100x60mm",
    width: 10_000,
    height: 6_000,
};

/// What a printer says of itself.
#[derive(Clone, Copy)]
struct Kit {
    formats: &'static str,
    dots: &'static str,
    types: &'static str,
    ready: &'static str,
    /// The size that `ready` names, in hundredths of a millimetre.
    width: u32,
    height: u32,
}

impl Kit {
    /// The attributes that `ippeveprinter -a` reads.
    fn attributes(self) -> String {
        let Self {
            formats,
            dots,
            types,
            ready,
            width,
            height,
        } = self;
        let size =
            format!("{{ MEMBER integer x-dimension {width} MEMBER integer y-dimension {height} }}");
        let col =
            format!("{{ MEMBER collection media-size {size} MEMBER keyword media-source main }}");
        format!(
            "ATTR boolean color-supported false
ATTR mimeMediaType document-format-supported {formats}
ATTR keyword media-default {ready}
ATTR keyword media-ready {ready}
ATTR keyword media-supported {ready}
ATTR collection media-size-supported {size}
ATTR collection media-col-ready {col}
ATTR resolution printer-resolution-default {dots}
ATTR resolution printer-resolution-supported {dots}
ATTR resolution pwg-raster-document-resolution-supported {dots}
ATTR keyword pwg-raster-document-type-supported {types}
ATTR keyword print-scaling-supported none
"
        )
    }
}

/// A printer whose labels come out as files, printed by a shell script.
struct Device {
    dir: TempDir,
    port: u16,
    /// What it says of itself; nothing: what the double says by itself.
    kit: Option<Kit>,
    /// The printer, and the private message bus that it will not start without.
    running: Vec<Child>,
}

impl Device {
    /// A device that is still switched off. `script` runs for every label, in the
    /// device's folder, before the label drops out as `paper/<job name>.<n>.out`.
    fn off(script: &str, kit: Option<Kit>) -> Option<Self> {
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
            format!("#!/bin/sh\ncd '{here}'\n{script}\ncp \"$1\" \"paper/$IPP_JOB_NAME.$$.out\"\n");
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
            kit,
            running: Vec::new(),
        })
    }

    fn on(script: &str) -> Option<Self> {
        Self::with(script, Some(LABEL_PRINTER))
    }

    fn with(script: &str, kit: Option<Kit>) -> Option<Self> {
        let mut device = Self::off(script, kit)?;
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
        let mut printer = Command::new(program("ippeveprinter").unwrap());
        if let Some(kit) = self.kit {
            let attributes = self.file("attributes.conf");
            fs::write(&attributes, kit.attributes()).unwrap();
            printer.arg("-a").arg(&attributes);
        }
        let printer = printer
            .env("DBUS_SYSTEM_BUS_ADDRESS", &socket)
            .args(["-r", "off", "-n", "localhost", "-p"])
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

    fn uri(&self) -> String {
        format!("ipp://127.0.0.1:{}/ipp/print", self.port)
    }

    fn printer(&self) -> NetworkPrinter {
        NetworkPrinter::new(&self.uri()).unwrap()
    }

    fn press(&self, disk: &str) -> (Press<NetworkPrinter, Wanted>, Books, Outbox) {
        let site = SiteId::new("larkholm").unwrap();
        let outbox = Outbox::open(&self.file(disk), site).unwrap();
        let station = StationId::new("label-printer").unwrap();
        let books = Books::new(outbox.clone(), station, Clock::system());
        let press = Press::new(
            self.printer(),
            Wanted,
            NAME.to_owned(),
            Dpi::D203,
            Templates::default(),
            books.clone(),
        );
        (press, books, outbox)
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

const NAME: &str = "Portioning table";

/// An office in which every label is wanted.
struct Wanted;

impl Office for Wanted {
    async fn unwanted(&self, _job: &LabelJob) -> Option<String> {
        None
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
    let mut label = Kind::Wheel.sample().unwrap();
    if let Label::Wheel(label) = &mut label {
        label.wheel = wheel.parse().unwrap();
    }
    LabelJob {
        cause: format!("01890a5d-ac96-774b-bcce-b302099a80{cause:02x}")
            .parse()
            .unwrap(),
        copy: false,
        label,
    }
}

fn drawing(job: &LabelJob) -> Drawing {
    Templates::default().draw(job, Dpi::D203).unwrap()
}

fn raster(job: &LabelJob) -> Vec<u8> {
    drawing(job).bitmap().pwg_raster(DotType::Black1)
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

/// Waits until the printer works on a job, and gives its number.
async fn working_on(printer: &NetworkPrinter, name: &str) -> i32 {
    let working = |found: &Result<Found, _>| {
        matches!(
            found,
            Ok(Found {
                seen: Seen::Working(_),
                ..
            })
        )
    };
    match until(|| printer.find(name, None), working)
        .await
        .unwrap()
        .seen
    {
        Seen::Working(number) => number,
        other => panic!("{other:?}"),
    }
}

#[tokio::test]
async fn a_label_arrives_dot_for_dot_and_once_even_when_our_disk_forgets() {
    let Some(device) = Device::on("true") else {
        return;
    };
    let label = job("B311-07", 1);
    let (mut press, _, outbox) = device.press("first");
    in_time(press.print(&label)).await.unwrap();
    in_time(press.print(&label)).await.unwrap();
    assert_eq!(outbox.waiting(), 1);
    assert_eq!(device.paper(), [(label.name(), raster(&label))]);

    let (mut forgetful, _, outbox) = device.press("second");
    in_time(forgetful.print(&label)).await.unwrap();
    assert_eq!(outbox.waiting(), 1);
    assert_eq!(
        device.paper(),
        [(label.name(), raster(&label))],
        "the printer knew it by name"
    );
}

#[tokio::test]
async fn each_printer_gets_a_form_that_it_says_it_takes() {
    let label = job("B311-07", 1);
    let png = drawing(&label).bitmap().png().unwrap();
    let cases = [
        (
            "sgray_8",
            LABEL_PRINTER.formats,
            "203dpi",
            Form::PwgRaster(DotType::Grey8),
        ),
        ("srgb_8", LABEL_PRINTER.formats, "203dpi", Form::Png),
        ("sgray_8", LABEL_PRINTER.formats, "600dpi", Form::Pdf),
    ];
    for (types, formats, dots, form) in cases {
        let kit = Kit {
            types,
            formats,
            dots,
            ..LABEL_PRINTER
        };
        let Some(device) = Device::with("true", Some(kit)) else {
            return;
        };
        let printer = device.printer();
        let abilities = until(|| printer.abilities(), Result::is_ok).await.unwrap();
        assert_eq!(abilities.form(Dpi::D203), Ok(form));
        let (mut press, _, _) = device.press("disk");
        in_time(press.print(&label)).await.unwrap();
        let [(_, printed)] = &device.paper()[..] else {
            panic!("one label came out");
        };
        match form {
            Form::PwgRaster(dots) => {
                assert_eq!(*printed, drawing(&label).bitmap().pwg_raster(dots));
            }
            Form::Png => assert_eq!(*printed, png),
            Form::Pdf => assert!(printed.starts_with(b"%PDF-")),
        }
    }
}

#[tokio::test]
async fn a_printer_with_other_labels_or_other_dots_gets_nothing_and_says_so() {
    let label = job("B311-07", 1);
    let other = Kit {
        ready: "oe_case-label_100x150mm",
        height: 15_000,
        ..LABEL_PRINTER
    };
    let finer = Kit {
        dots: "300dpi",
        formats: "image/pwg-raster,image/png",
        ..LABEL_PRINTER
    };
    for (kit, words) in [
        (
            other,
            "has labels of 100 x 150 mm in it and needs 100 x 60 mm: load the right labels",
        ),
        (
            finer,
            "prints 300 dots an inch, and the site file says 203: correct dpi there. Symbols on a wrong grid are hard to read",
        ),
    ] {
        let Some(device) = Device::with("true", Some(kit)) else {
            return;
        };
        let printer = device.printer();
        let drawn = drawing(&label);
        let answered = |sent: &Result<Seen, Trouble>| !matches!(sent, Err(Trouble::Silent { .. }));
        let name = label.name();
        let trouble = until(|| printer.send(&name, &drawn), answered)
            .await
            .unwrap_err();
        assert_eq!(trouble.to_string(), words);
        assert!(device.paper().is_empty());
    }
}

#[tokio::test]
async fn labels_wait_for_a_printer_that_is_busy_with_another() {
    let Some(device) = Device::on(WAIT) else {
        return;
    };
    let (one, two) = (job("B311-07", 1), job("B311-08", 2));
    let (mut first, _, _) = device.press("first");
    let (mut second, _, _) = device.press("second");
    let printer = device.printer();
    let open = async {
        let drawn = drawing(&two);
        let _ = until(
            || printer.send("impatient", &drawn),
            |answer| *answer == Err(Trouble::Busy),
        )
        .await;
        fs::write(device.file("gate"), "").unwrap();
    };
    let start = async {
        working_on(&printer, &one.name()).await;
        tokio::join!(second.print(&two), open).0
    };
    let (printed_one, printed_two) =
        in_time(async { tokio::join!(first.print(&one), start) }).await;
    printed_one.unwrap();
    printed_two.unwrap();
    let names: Vec<_> = device.paper().into_iter().map(|(name, _)| name).collect();
    assert_eq!(names, [one.name(), two.name()]);
}

#[tokio::test]
async fn a_label_that_the_printer_gives_up_is_sent_again_and_people_are_told() {
    let Some(device) = Device::on("[ -e tried ] || { touch tried; exit 1; }") else {
        return;
    };
    let label = job("B311-07", 1);
    let (mut press, books, outbox) = device.press("disk");
    in_time(press.print(&label)).await.unwrap();
    let names: Vec<_> = device.paper().into_iter().map(|(name, _)| name).collect();
    assert_eq!(names, [format!("{}-2", label.name())], "the second attempt");
    assert_eq!(outbox.waiting(), 1);
    assert_eq!(
        books.bell.waiting().unwrap(),
        2,
        "given up, and works again"
    );
}

#[tokio::test]
async fn a_worker_killed_between_sending_and_recording_asks_the_printer_for_its_jobs() {
    let Some(device) = Device::on("true") else {
        return;
    };
    let label = job("B311-07", 1);
    let (mut press, books, outbox) = device.press("disk");
    let mut passage = press.take(&label).unwrap();
    // Until the label has been sent: then this worker is no more.
    in_time(async {
        while !matches!(
            books.journal.noted(&label.name()).unwrap(),
            Some(Noted::Started { .. })
        ) {
            press.step(&mut passage).await.unwrap();
        }
        press.step(&mut passage).await.unwrap();
    })
    .await;
    drop((press, books, outbox));
    let (mut press, books, outbox) = device.press("disk");
    in_time(press.print(&label)).await.unwrap();
    assert_eq!(device.paper().len(), 1);
    assert_eq!(outbox.waiting(), 1);
    assert!(books.aside.all().unwrap().is_empty());
}

#[tokio::test]
async fn a_printer_out_of_labels_says_so_and_the_queue_goes_on_in_order_when_it_has_some() {
    let script = "echo 'STATE: +media-empty-error' >&2
        while [ -e paper ] && [ ! -e gate ]; do sleep 0.1; done
        echo 'STATE: -media-empty-error' >&2";
    let Some(device) = Device::on(script) else {
        return;
    };
    let labels = [job("B311-07", 1), job("B311-08", 2)];
    let (mut press, books, outbox) = device.press("disk");
    let printer = device.printer();
    let refill = async {
        let number = working_on(&printer, &labels[0].name()).await;
        let trouble = until(|| printer.watch(number), Result::is_err)
            .await
            .unwrap_err();
        assert!(
            matches!(&trouble, Trouble::Stopped(why) if why.contains("media-empty")),
            "{trouble}"
        );
        let told = || async { books.bell.open(NAME).unwrap() };
        let told = until(told, Option::is_some).await.unwrap();
        let (begins, ends) = (
            "the label printer \"Portioning table\" has stopped (media-empty-",
            "): check labels, ribbon and cover. Labels wait, none is lost",
        );
        assert!(
            told.text.starts_with(begins) && told.text.ends_with(ends),
            "{}",
            told.text
        );
        fs::write(device.file("gate"), "").unwrap();
    };
    let print = async {
        for label in &labels {
            press.print(label).await.unwrap();
        }
    };
    in_time(async { tokio::join!(print, refill) }).await;
    let names: Vec<_> = device.paper().into_iter().map(|(name, _)| name).collect();
    assert_eq!(names, [labels[0].name(), labels[1].name()]);
    assert_eq!(outbox.waiting(), 2);
    assert_eq!(books.bell.open(NAME).unwrap(), None, "it works again");
}

#[tokio::test]
async fn a_label_in_a_printer_that_was_switched_off_is_asked_of_a_person_and_not_sent_again() {
    let Some(mut device) = Device::off(WAIT, Some(LABEL_PRINTER)) else {
        return;
    };
    let label = job("B311-07", 1);
    let (mut press, books, outbox) = device.press("disk");
    let printer = device.printer();
    let people = async {
        let silent = until(|| printer.find("x", None), Result::is_err)
            .await
            .unwrap_err();
        assert!(
            matches!(silent, Trouble::Silent { sent: false, .. }),
            "{silent}"
        );
        device.switch_on();
        working_on(&printer, &label.name()).await;
        device.switch_off();
        fs::write(device.file("gate"), "").unwrap();
        device.switch_on();
    };
    let (printed, ()) = in_time(async { tokio::join!(press.print(&label), people) }).await;
    printed.unwrap();
    assert_eq!(outbox.waiting(), 0, "nobody knows, so nothing is stated");
    let in_doubt = books.aside.all().unwrap();
    assert_eq!(in_doubt.len(), 1);
    assert_eq!(in_doubt[0].job, label);
}

/// The double keeps to the standard as far as CUPS's own conformance files ask about the
/// operations that we use, with our raster as their document: so what our requests meet
/// here, they meet elsewhere. (It is busy when the files come to Create-Job, which we do not
/// use.)
#[tokio::test]
async fn the_printer_double_passes_the_conformance_files_of_cups_with_our_raster() {
    const USED: [&str; 4] = [
        "Print-Job Operation",
        "Get-Printer-Attributes Operation",
        "Get-Jobs Operation",
        "Get-Job-Attributes Operation",
    ];
    let (Some(device), Some(ipptool)) = (Device::with("true", None), program("ipptool")) else {
        return;
    };
    // In its first second the double counts no up-time yet.
    let printer = device.printer();
    let counts = |says: &Result<Abilities, Trouble>| says.as_ref().is_ok_and(|a| a.up_time_s() > 0);
    let _ = in_time(until(|| printer.abilities(), counts)).await;
    let document = device.file("label.pwg");
    fs::write(&document, raster(&job("B311-07", 1))).unwrap();
    let conformance = |file: &str| {
        let mut command = Command::new(&ipptool);
        command
            .arg("-f")
            .arg(&document)
            .args(["-t", &device.uri(), file]);
        String::from_utf8(command.output().unwrap().stdout).unwrap()
    };
    let said = conformance("get-printer-attributes.test");
    assert!(
        said.contains("[PASS]") && !said.contains("[FAIL]"),
        "{said}"
    );
    let said = conformance("ipp-1.1.test");
    for used in USED {
        let about: Vec<&str> = said.lines().filter(|line| line.contains(used)).collect();
        assert!(!about.is_empty(), "{used} is not in {said}");
        assert!(
            about.iter().all(|line| line.ends_with("[PASS]")),
            "{used}: {said}"
        );
    }
}
