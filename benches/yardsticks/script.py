"""What people write: every message into SQLite as it comes, a commit each second."""

import json
import sqlite3
import sys
import time

import paho.mqtt.client as mqtt

port, wanted, path = int(sys.argv[1]), int(sys.argv[2]), sys.argv[3]
store = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
store.executescript(
    """PRAGMA journal_mode = WAL;
    PRAGMA synchronous = FULL;
    CREATE TABLE reading (at TEXT, instrument TEXT, current REAL, voltage REAL, soc REAL,
                          PRIMARY KEY (at, instrument)) WITHOUT ROWID;
    BEGIN;"""
)
taken = 0
committed = time.monotonic()


def on_message(client, userdata, message):
    global taken, committed
    body = json.loads(message.payload)
    store.execute(
        "INSERT OR IGNORE INTO reading VALUES (?, ?, ?, ?, ?)",
        (body["at"], message.topic.split("/")[1], body["amps"], body["volts"], body["soc"]),
    )
    taken += 1
    if taken == wanted or time.monotonic() - committed > 1:
        store.execute("COMMIT")
        store.execute("BEGIN")
        committed = time.monotonic()
    if taken == wanted:
        print("done", flush=True)


client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="script", clean_session=False)
client.on_message = on_message
client.on_subscribe = lambda *_: print("ready", flush=True)
client.connect("127.0.0.1", port)
client.subscribe("skerry/+/reading", qos=1)
client.loop_start()
sys.stdin.read()
