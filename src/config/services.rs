//! `[store]`, `[backup]`, `[report]`, `[mqtt]`, `[broker]`, `[api]`, `[publish]`: where readings come from, where they
//! go, where answers are given.

use std::{
    net::{Ipv4Addr, SocketAddr},
    path::{Path, PathBuf},
    time::Duration,
};

use super::{
    reader::{Table, Written},
    setup::{Api, BackupPlan, Broker, ClientCertificate, Mqtt, ReportPlan, Store},
};

const MEGABYTE: u64 = 1_000_000;

pub(super) fn store(root: &Table<'_>, folder: &Path) -> Store {
    let mut store = Store {
        path: folder.join("packdrift.sqlite"),
        commit_after: Duration::from_secs(5),
        quarantine_bytes: 256 * MEGABYTE,
    };
    let Some(table) = root.table("store", "[store]") else {
        return store;
    };
    if let Some(path) = table.text("path") {
        store.path = folder.join(path.value);
    }
    if let Some(commit_after) = table.duration("commit_after", Some(Duration::from_secs(600))) {
        store.commit_after = commit_after;
    }
    let megabytes = table.number_within(
        "quarantine_mb",
        |mb| (0.0..=1e6).contains(&mb),
        "from 0 to 1000000",
    );
    if let Some(megabytes) = megabytes {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "checked just above"
        )]
        let megabytes = megabytes as u64;
        store.quarantine_bytes = megabytes * MEGABYTE;
    }
    table.finish();
    store
}

pub(super) fn backup(root: &Table<'_>, folder: &Path) -> Option<BackupPlan> {
    let table = root.table("backup", "[backup]")?;
    let into = table.required_text("folder", "\"backups\"");
    let every = table.duration("every", None);
    let keep = table.number_within(
        "keep",
        |keep| (1.0..=10_000.0).contains(&keep) && keep.fract() == 0.0,
        "a whole number from 1 to 10000",
    );
    table.finish();
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "checked just above"
    )]
    let keep = keep.map_or(7, |keep| keep as usize);
    Some(BackupPlan {
        folder: folder.join(into?.value),
        every: every.unwrap_or(Duration::from_secs(86_400)),
        keep,
    })
}

pub(super) fn report(root: &Table<'_>, folder: &Path) -> Option<ReportPlan> {
    let table = root.table("report", "[report]")?;
    let into = table.required_text("folder", "\"reports\"");
    let every = table.duration("every", None);
    let anonymous = table.boolean("anonymous");
    table.finish();
    Some(ReportPlan {
        folder: folder.join(into?.value),
        every: every.unwrap_or(Duration::from_secs(7 * 86_400)),
        anonymous: anonymous.unwrap_or(false),
    })
}

pub(super) fn broker(root: &Table<'_>, folder: &Path) -> Option<Broker> {
    let theirs = root.table("mqtt", "[mqtt]");
    let own = root.table("broker", "[broker]");
    if let (Some(_), Some(own)) = (&theirs, &own) {
        root.findings.add(
            &own.place,
            "[broker] and [mqtt] contradict each other",
            "packdrift's own broker",
            "leave out [broker] to use the broker of [mqtt], or [mqtt] to let packdrift be the broker",
        );
    }
    match theirs {
        Some(table) => mqtt(table, folder).map(Broker::Theirs),
        None => own_broker(own).map(Broker::Own),
    }
}

fn own_broker(table: Option<Table<'_>>) -> Option<SocketAddr> {
    let usual = SocketAddr::from((Ipv4Addr::LOCALHOST, 1883));
    let Some(table) = table else {
        return Some(usual);
    };
    let listen = table.text("listen");
    let address = match &listen {
        Some(listen) => address(&table, listen, "127.0.0.1:1883"),
        None => Some(usual),
    };
    if let (Some(listen), Some(address)) = (&listen, address)
        && !address.ip().is_loopback()
    {
        table.findings.add(
            &listen.place,
            "packdrift's own broker asks nobody who they are, so it opens on loopback only",
            "reachable from other machines",
            "use a loopback address like 127.0.0.1:1883, or a broker of your own under [mqtt]",
        );
    }
    table.finish();
    address
}

fn mqtt(table: Table<'_>, folder: &Path) -> Option<Mqtt> {
    let url = table.required_text("url", "\"mqtt://127.0.0.1:1883\"");
    let place = url.and_then(|url| {
        let read = read_url(&url.value);
        if read.is_none() {
            table.findings.add(
                &url.place,
                format!("“{}” is no broker's address", url.value),
                "this address",
                "write mqtt://HOST:PORT, or mqtts://HOST:PORT for TLS; user and password are keys of their own",
            );
        }
        read
    });
    let text = |key| table.text(key).map(|text| text.value);
    let file = |key| table.text(key).map(|text| folder.join(text.value));
    let mqtt = (
        text("client_id")
            .filter(|id| !id.is_empty())
            .unwrap_or_else(|| "packdrift".to_owned()),
        text("username"),
        file("password_file"),
        file("ca_file"),
        client_certificate(&table, file("cert_file"), file("key_file")),
    );
    table.finish();
    let (host, port, tls) = place?;
    let (client_id, username, password_file, ca_file, client_certificate) = mqtt;
    Some(Mqtt {
        host,
        port,
        tls,
        client_id,
        username,
        password_file,
        ca_file,
        client_certificate,
    })
}

fn client_certificate(
    table: &Table<'_>,
    certificate: Option<PathBuf>,
    key: Option<PathBuf>,
) -> Option<ClientCertificate> {
    if certificate.is_some() != key.is_some() {
        table.findings.add(
            &table.place,
            "`cert_file` and `key_file` belong together",
            "one of them is missing",
            "name both, or neither where the broker doesn't ask for a certificate",
        );
    }
    Some(ClientCertificate {
        certificate: certificate?,
        key: key?,
    })
}

/// Host, port, and whether with TLS.
fn read_url(url: &str) -> Option<(String, u16, bool)> {
    let (scheme, rest) = url.split_once("://")?;
    let (tls, usual) = match scheme {
        "mqtt" => (false, 1883),
        "mqtts" => (true, 8883),
        _ => return None,
    };
    let rest = rest.strip_suffix('/').unwrap_or(rest);
    if rest.contains(['@', '/', '?', '#', ' ']) {
        return None;
    }
    let (host, port) = match rest.rsplit_once(':') {
        // The colons of a bare IPv6 address are in brackets.
        Some((host, port)) if !port.contains(']') => (host, port.parse().ok()?),
        _ => (rest, usual),
    };
    let host = host.trim_start_matches('[').trim_end_matches(']');
    (!host.is_empty()).then(|| (host.to_owned(), port, tls))
}

pub(super) fn api(root: &Table<'_>, folder: &Path) -> Option<Api> {
    let usual = SocketAddr::from((Ipv4Addr::LOCALHOST, 8077));
    let Some(table) = root.table("api", "[api]") else {
        return Some(Api {
            listen: usual,
            token_file: None,
        });
    };
    let listen = table.text("listen");
    let listens = match &listen {
        Some(listen) => address(&table, listen, "127.0.0.1:8077"),
        None => Some(usual),
    };
    let token_file = table.text("token_file").map(|file| folder.join(file.value));
    if let (Some(listen), Some(address), None) = (&listen, listens, &token_file)
        && !address.ip().is_loopback()
    {
        table.findings.add(
            &listen.place,
            "the API would answer everybody on the network",
            "reachable from other machines",
            "set `token_file` under [api] (`packdrift token` makes tokens), or listen on 127.0.0.1",
        );
    }
    table.finish();
    Some(Api {
        listen: listens?,
        token_file,
    })
}

/// The prefix of `[publish]`.
pub(super) fn publish(root: &Table<'_>) -> Option<Written<String>> {
    let table = root.table("publish", "[publish]")?;
    let prefix = table.required_text("prefix", "\"packdrift\"");
    table.finish();
    let prefix = prefix?;
    let plain = |level: &str| !level.is_empty() && !level.contains(['+', '#', '\0', '$']);
    if prefix.value.split('/').all(plain) {
        return Some(prefix);
    }
    root.findings.add(
        &prefix.place,
        format!("“{}” can't begin a topic", prefix.value),
        "this prefix",
        "write plain levels like \"packdrift\" or \"hut/packdrift\"",
    );
    None
}

fn address(table: &Table<'_>, written: &Written<String>, example: &str) -> Option<SocketAddr> {
    let address = written.value.parse().ok();
    if address.is_none() {
        table.findings.add(
            &written.place,
            format!("“{}” is no address with a port", written.value),
            "this address",
            format!("write it like \"{example}\""),
        );
    }
    address
}
