//! `wheelward doctor` on a floor that runs well, on one with something wrong, and on none.

use floor_tests::{free_address, run_in};
use serde_json::Value;

use crate::stopping::{up, write_site};

fn of<'f>(found: &'f [Value], level: &str) -> Vec<&'f str> {
    let level = found.iter().filter(|finding| finding["level"] == level);
    level
        .map(|finding| finding["about"].as_str().unwrap())
        .collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn the_doctor_says_what_is_well_what_is_wrong_and_what_to_do() {
    const DOCTOR: [&str; 4] = ["doctor", "--site", "site.toml", "--json"];
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    write_site(folder);
    let metrics = free_address();
    let site = std::fs::read_to_string(folder.join("site.toml")).unwrap();
    let site = site.replace("[site]", "[site]\nbackup = \"backup\"");
    let pages = free_address();
    let site = format!("{site}\n[gateway]\nlisten = \"{pages}\"\nmetrics = \"{metrics}\"\n");
    std::fs::write(folder.join("site.toml"), site).unwrap();
    std::fs::create_dir(folder.join("backup")).unwrap();
    let mut floor = up(folder).await;

    // Workers that are being started answer a moment later.
    let found: Vec<Value> = floor_tests::until(
        "all to be well",
        || floor.log(),
        async || {
            let said = run_in(folder, &DOCTOR).await;
            let found: Vec<Value> = serde_json::from_str(&said.out).unwrap();
            let well = said.code == Some(0) && of(&found, "good").contains(&"workers");
            well.then_some(found)
        },
    )
    .await;
    for about in [
        "site file",
        "data folder",
        "backup",
        "broker",
        "log",
        "records",
    ] {
        assert!(of(&found, "good").contains(&about), "{about}: {found:#?}");
    }
    assert_eq!(of(&found, "wrong"), [""; 0]);

    let get = async |path: &str| {
        let url = format!("http://{metrics}{path}");
        let answer = tokio::task::spawn_blocking(move || {
            let agent: ureq::Agent = ureq::Agent::config_builder()
                .http_status_as_error(false)
                .build()
                .into();
            let mut answer = agent.get(&url).call().unwrap();
            (
                answer.status().as_u16(),
                answer.body_mut().read_to_string().unwrap(),
            )
        });
        answer.await.unwrap()
    };
    assert_eq!(get("/health").await, (200, "all is well\n".to_owned()));
    let (_, text) = get("/metrics").await;
    for line in [
        "wheelward_broker_up 1",
        "wheelward_up{worker=\"records\"} 1",
    ] {
        assert!(text.lines().any(|l| l == line), "{line} in {text}");
    }

    // The disk with the backup was unplugged, and others may read the data folder.
    std::fs::remove_dir(folder.join("backup")).unwrap();
    let open = std::os::unix::fs::PermissionsExt::from_mode(0o755);
    std::fs::set_permissions(folder.join("data"), open).unwrap();
    let said = run_in(folder, &DOCTOR).await;
    let found: Vec<Value> = serde_json::from_str(&said.out).unwrap();
    assert_eq!((said.code, of(&found, "wrong")), (Some(1), vec!["backup"]));
    assert!(of(&found, "look").contains(&"data folder"), "{found:#?}");

    assert!(floor.end("INT").await.success(), "{}", floor.log());
    let said = run_in(folder, &["doctor", "--site", "site.toml"]).await;
    assert_eq!(said.code, Some(1));
    assert!(said.out.contains("WRONG broker: "), "{}", said.out);
    let said = run_in(
        folder,
        &["doctor", "--site", "site.toml", "--data", "nowhere"],
    )
    .await;
    assert!(said.out.contains("WRONG data folder: "), "{}", said.out);
}
