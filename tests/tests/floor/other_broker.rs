//! A floor on a broker that runs by itself: TLS, an nkey for each worker, and a key that is
//! changed while all runs.

use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::process::{Child, Command, Stdio};

use floor_tests::{Worker, free_address, run_in, until};

use crate::stopping::{ask, stands_at, write_site};

/// A broker of somebody else's, stopped when it is dropped.
struct Other(Child);

impl Drop for Other {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl Other {
    fn start(folder: &Path, config: &Path) -> Self {
        let log = std::fs::File::create(folder.join("broker.log")).unwrap();
        let broker = Command::new(bus::broker::find().unwrap())
            .arg("--config")
            .arg(config)
            .env("SENSORS_PASSWORD", "a_password_of_the_sensors")
            .env("SENSOR_READER_PASSWORD", "a_password_of_the_reader")
            .stdin(Stdio::null())
            .stderr(log)
            .spawn();
        Self(broker.unwrap())
    }

    /// It reads its configuration again.
    fn reload(&self) {
        let kill = format!("kill -HUP {}", self.0.id());
        assert!(
            Command::new("sh")
                .args(["-c", &kill])
                .status()
                .unwrap()
                .success()
        );
    }
}

/// An authority of the dairy's own, and a certificate for a broker on this machine.
fn certificates(folder: &Path) {
    use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, IsCa, KeyPair};
    let mut params = CertificateParams::new(Vec::<String>::new()).unwrap();
    params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let authority = CertifiedIssuer::self_signed(params, KeyPair::generate().unwrap()).unwrap();
    let key = KeyPair::generate().unwrap();
    let names = vec!["localhost".to_owned(), "127.0.0.1".to_owned()];
    let certificate = CertificateParams::new(names).unwrap();
    let certificate = certificate.signed_by(&key, &authority).unwrap();
    for (file, pem) in [
        ("ca.pem", authority.pem()),
        ("broker.pem", certificate.pem()),
        ("broker-key.pem", key.serialize_pem()),
    ] {
        std::fs::write(folder.join(file), pem).unwrap();
    }
}

async fn write_permissions(folder: &Path) {
    let args = [
        "broker",
        "permissions",
        "--site",
        "site.toml",
        "--keys",
        "keys",
    ];
    let said = run_in(folder, &args).await;
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(!said.out.contains("SCHEDULER_PASSWORD"));
    std::fs::write(folder.join("permissions.conf"), said.out).unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_floor_runs_on_a_broker_with_tls_and_nkeys_and_a_key_is_changed_without_a_stop() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let rub = write_site(folder);
    certificates(folder);
    write_permissions(folder).await;
    let address = free_address();
    let config = folder.join("nats.conf");
    let shown = folder.display();
    let text = format!(
        "server_name: other\nlisten: \"{address}\"\n\
         jetstream {{ store_dir: \"{shown}/broker\", sync_interval: always }}\n\
         tls {{ cert_file: \"{shown}/broker.pem\", key_file: \"{shown}/broker-key.pem\" }}\n\
         include \"permissions.conf\"\n"
    );
    std::fs::write(&config, text).unwrap();
    let broker = Other::start(folder, &config);
    let url = format!("tls://{address}");
    let mut args = vec!["up", "--site", "site.toml", "--broker", &url];
    args.extend(["--broker-keys", "keys", "--broker-ca", "ca.pem"]);
    let mut up = Worker::start(folder, folder.join("up.log"), &args);
    let told = || up.log();
    until("the floor to answer", told, async || {
        ask(folder, &["floor"]).await
    })
    .await;

    let mut scanner = stands_at(rub, &up).await;
    for code in ["A.LOAD", "S.S07"] {
        scanner.scan(code).await;
    }
    let stands = async |wheel: &str| {
        until("the wheel to stand there", told, async || {
            let life = ask(folder, &["wheel", wheel]).await?;
            (life["wheel"]["carrier"]["stillage"] == "S07").then_some(())
        })
        .await;
    };
    assert!(scanner.scan("W.311-01").await.contains("recorded"));
    stands("311-01").await;

    // What is secret lies in the folder of keys alone.
    let seed = std::fs::read_to_string(folder.join("keys/scheduler")).unwrap();
    let word = std::fs::read_to_string(folder.join("data/running.json")).unwrap();
    assert!(!word.contains(seed.trim()), "{word}");
    for (path, mode) in [("data", 0o700), ("data/running.json", 0o600)] {
        let is = std::fs::metadata(folder.join(path))
            .unwrap()
            .permissions()
            .mode();
        assert_eq!(is & 0o777, mode, "{path}");
    }
    // Nobody else comes in.
    let words = [
        "floor",
        "--broker",
        &url,
        "--site-id",
        "larkholm",
        "--data",
        "none",
    ];
    for more in [&["--broker-ca", "ca.pem"][..], &["--broker-keys", "keys"]] {
        let said = run_in(folder, &[&words[..], more].concat()).await;
        assert_ne!(said.code, Some(0), "{}", said.out);
    }

    // The move recorder's key was stolen: it gets another, and the thief's is worth nothing.
    let old = folder.join("stolen");
    std::fs::create_dir(&old).unwrap();
    std::fs::rename(folder.join("keys/move-recorder"), old.join("move-recorder")).unwrap();
    write_permissions(folder).await;
    broker.reload();
    assert!(scanner.scan("W.311-02").await.contains("recorded"));
    stands("311-02").await;
    let access = bus::Access {
        keys: Some(old),
        authority: Some(folder.join("ca.pem")),
    };
    let thief = bus::Bus::connect_with(&url, "move-recorder", &access)
        .await
        .unwrap();
    let out = tokio::time::timeout(std::time::Duration::from_secs(1), thief.connected()).await;
    assert!(out.is_err(), "a key that was taken away lets nobody in");

    assert!(up.end("INT").await.success(), "{}", up.log());
}
