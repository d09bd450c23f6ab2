//! Does the way through a broker change anything against readings put straight into the store?

use std::{sync::Arc, time::Duration};

use packdrift::{
    config::{self, Broker, Setup},
    daemon::Daemon,
    demo::{self, Kind, Plan, Winter, simulate},
};
use serde_json::Value;

use crate::{
    harness::{Mosquitto, eventually, number, store},
    past,
    scenario::setup_with_broker,
};

fn winter() -> Arc<Winter> {
    Arc::new(simulate(&Plan {
        days: 5,
        ..Plan::new(Kind::Sparse, 7)
    }))
}

/// Asks the daemon; health answers 503 while it can't keep its promise.
async fn get(daemon: &Daemon, path: &str) -> Value {
    let url = format!("http://{}{path}", daemon.api());
    let ask = move || {
        let agent: ureq::Agent = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .build()
            .into();
        agent.get(url).call().unwrap().body_mut().read_json().unwrap()
    };
    tokio::task::spawn_blocking(ask).await.unwrap()
}

/// Publishes the winter to `broker` (the daemon's own, where none is given) and compares what was derived.
fn check(setup: Setup, broker: Option<u16>) {
    let folder = setup.store.path.parent().unwrap().to_owned();
    let winter = winter();
    let expect = past::derived(&past::filled(&setup, &winter));
    let count = i64::try_from(winter.readings().len()).unwrap();
    let runtime = tokio::runtime::Runtime::new().unwrap();
    runtime.block_on(async {
        let daemon = Daemon::start(Arc::new(setup)).await.unwrap();
        let address = match broker {
            Some(port) => ([127, 0, 0, 1], port).into(),
            None => daemon.broker().unwrap(),
        };
        // Messages before the subscription would be nobody's.
        let subscribed = |health: &Value| health["broker"]["subscribed"] == true;
        while !subscribed(&get(&daemon, "/v1/health").await) {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
        demo::publish(winter, address, || {}).await.unwrap();
        eventually("all is stored", Duration::from_secs(60), || {
            number(&folder, "SELECT count(*) FROM reading") == count
        });
        let answer = get(&daemon, "/v1/drift").await;
        assert_eq!(answer["packs"].as_array().unwrap().len(), 5);
        daemon.stop().await;
    });
    assert_eq!(past::derived(&store(&folder)), expect);
}

fn setup_in(folder: &std::path::Path, text: &str) -> Setup {
    let path = folder.join("setup.toml");
    std::fs::write(&path, text).unwrap();
    let mut setup = config::load(&path).unwrap();
    setup.api.listen = ([127, 0, 0, 1], 0).into();
    setup
}

#[test]
fn packdrift_as_the_broker_changes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let sample = format!("{}/demo-data/skerry.toml", env!("CARGO_MANIFEST_DIR"));
    let mut setup = setup_in(folder.path(), &std::fs::read_to_string(sample).unwrap());
    setup.broker = Broker::Own(([127, 0, 0, 1], 0).into());
    check(setup, None);
}

#[test]
fn mosquitto_changes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let mosquitto = Mosquitto::start(folder.path());
    let setup = setup_in(folder.path(), &setup_with_broker(mosquitto.port));
    check(setup, Some(mosquitto.port));
}
