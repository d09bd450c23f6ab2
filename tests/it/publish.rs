//! Can a program that knows nothing of packdrift read what it publishes?

use std::{fs, time::Duration};

use axum::{Router, routing::get};
use packdrift::{
    config::Publish,
    demo::{Kind, Plan, simulate},
    publish,
};
use serde_json::{Value, json};

use crate::{
    harness::{Mosquitto, Packdrift, eventually, plain_mqtt},
    past,
    tools::python,
};

/// Collects what is retained under a prefix, with nothing but an MQTT client.
const COLLECT: &str = r#"
import json, sys
import paho.mqtt.client as mqtt
given = json.load(sys.stdin)
seen = {}
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
client.on_message = lambda c, u, m: seen.update({m.topic: [m.retain, m.payload.decode()]})
client.connect("127.0.0.1", given["port"])
client.subscribe(given["prefix"] + "/#")
import time
end = time.time() + 2
while time.time() < end:
    client.loop(0.1)
print(json.dumps(seen))
"#;

/// Validates a document by the schema that came beside it.
const VALIDATE: &str = r#"
import json, sys
from jsonschema import Draft202012Validator
given = json.load(sys.stdin)
Draft202012Validator.check_schema(given["schema"])
for document in given["documents"]:
    Draft202012Validator(given["schema"]).validate(document)
    assert document["$schema"] == given["schema"]["$id"], document
broken = dict(given["documents"][0], charge_error_ah="much")
assert not Draft202012Validator(given["schema"]).is_valid(broken)
"#;

fn retained(port: u16) -> serde_json::Map<String, Value> {
    let told = python(COLLECT, &json!({"port": port, "prefix": "corrected"}).to_string());
    serde_json::from_str(&told).unwrap()
}

#[test]
fn answers_are_retained_with_their_schema_and_a_last_will() {
    let folder = tempfile::tempdir().unwrap();
    let mosquitto = Mosquitto::start(folder.path());
    let setup = fs::read_to_string(format!("{}/demo-data/skerry.toml", env!("CARGO_MANIFEST_DIR"))).unwrap();
    let more = format!(
        "{setup}\n[mqtt]\nurl = \"mqtt://127.0.0.1:{}\"\n[publish]\nprefix = \"corrected\"\n[api]\nlisten = \"127.0.0.1:0\"\n",
        mosquitto.port
    );
    let path = folder.path().join("setup.toml");
    fs::write(&path, more).unwrap();
    let setup = packdrift::config::load(&path).unwrap();
    let winter = simulate(&Plan {
        days: 4,
        ..Plan::new(Kind::Sparse, 3)
    });
    let mut connection = packdrift::store::read_write(&setup.store.path).unwrap();
    past::put(&mut connection, &setup, winter.readings());
    drop(connection);

    let daemon = Packdrift::start(folder.path());
    let mut seen = serde_json::Map::new();
    eventually("answers are there", Duration::from_secs(60), || {
        seen = retained(mosquitto.port);
        // What came live, while the client listened, doesn't say whether it is retained: a later look does.
        seen.len() == 7 && seen.values().all(|entry| entry[0] == true)
    });
    assert_eq!(seen["corrected/status"][1], "online");
    let read = |topic: &str| serde_json::from_str::<Value>(seen[topic][1].as_str().unwrap()).unwrap();
    let (_, drift) = daemon.get("/v1/drift");
    let packs = drift["packs"].as_array().unwrap();
    let documents: Vec<Value> = packs
        .iter()
        .map(|pack| read(&format!("corrected/skerry/{}", pack["pack"].as_str().unwrap())))
        .collect();
    for (document, pack) in documents.iter().zip(packs) {
        assert_eq!(document["charge_error_ah"], pack["charge_error"]["ah"]);
        assert_eq!(document["actual_percent"], pack["display"]["actual_percent"]);
    }
    python(
        VALIDATE,
        &json!({"schema": read("corrected/schema"), "documents": documents}).to_string(),
    );

    daemon.kill();
    eventually("the last will tells", Duration::from_secs(20), || {
        retained(mosquitto.port)["corrected/status"][1] == "offline"
    });
    let daemon = Packdrift::start(folder.path());
    eventually("it is back", Duration::from_secs(60), || {
        retained(mosquitto.port)["corrected/status"][1] == "online"
    });
    assert_eq!(daemon.stop(), Some(0));
    assert_eq!(retained(mosquitto.port)["corrected/status"][1], "offline");
}

#[tokio::test]
async fn an_answer_that_takes_long_holds_up_neither_the_connection_nor_a_stop() {
    let folder = tempfile::tempdir().unwrap();
    let mosquitto = Mosquitto::start(folder.path());
    let broker = plain_mqtt(mosquitto.port);
    let (asked, mut asking) = tokio::sync::mpsc::unbounded_channel();
    let never = get(move || {
        asked.send(()).unwrap();
        std::future::pending::<()>()
    });
    let publish = Publish {
        prefix: "corrected".into(),
    };
    let banks = vec!["skerry".into()];
    let stop = async {
        asking.recv().await.unwrap();
    };
    let running = publish::run(
        broker,
        publish,
        banks,
        Router::new().route("/v1/drift", never),
        stop,
    );
    tokio::time::timeout(Duration::from_secs(20), running)
        .await
        .unwrap();
    assert_eq!(retained(mosquitto.port)["corrected/status"][1], "offline");
}
