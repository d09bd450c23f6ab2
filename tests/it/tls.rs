//! Does packdrift show its certificate to a broker, look at the broker's, and stand behind a proxy that speaks TLS?

use std::{
    fs,
    path::Path,
    process::{Child, Command, Stdio},
    time::Duration,
};

use packdrift::api::{Scope, issue_token};

use crate::{
    certificates::Authority,
    harness::{Mosquitto, Packdrift, Publisher, eventually, free_port, number},
    scenario::{own_port, reading, setup_with_broker, setup_with_own_broker},
};

const PATIENCE: Duration = Duration::from_secs(20);

/// What the log says of the first failed try.
fn told(folder: &Path, setup: &str) -> String {
    fs::write(folder.join("setup.toml"), setup).unwrap();
    let packdrift = Packdrift::start(folder);
    let mut said = String::new();
    eventually("the failure is told in health", PATIENCE, || {
        let broker = &packdrift.get("/v1/health").1["broker"];
        assert_eq!(broker["subscribed"], false);
        broker["last_error"]
            .as_str()
            .unwrap_or_default()
            .clone_into(&mut said);
        !said.is_empty()
    });
    said
}

#[test]
fn a_broker_that_wants_certificates_gets_one_and_must_show_the_right_one() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let ours = Authority::new(folder, "ours");
    let others = Authority::new(folder, "others");
    let (certificate, key) = ours.certify("localhost");
    ours.certify("packdrift");
    let plain = free_port();
    let mosquitto = Mosquitto::start_with(
        folder,
        &format!(
            "cafile {}\ncertfile {}\nkeyfile {}\nrequire_certificate true\nlistener {plain} 127.0.0.1\n",
            ours.file.display(),
            certificate.display(),
            key.display()
        ),
    );
    let setup = |host: &str, authority: &Authority, more: &str| {
        let url = format!("mqtt://127.0.0.1:{}", mosquitto.port);
        let tls = format!(
            "mqtts://{host}:{}\"\nca_file = \"{}\"\n{more}",
            mosquitto.port,
            authority.file.display()
        );
        setup_with_broker(mosquitto.port).replace(&format!("{url}\"\n"), &tls)
    };
    let shown = "cert_file = \"packdrift.crt\"\nkey_file = \"packdrift.key\"\n";
    // Nothing shown; an authority that did not certify the broker; a name that its certificate does not have.
    told(folder, &setup("localhost", &ours, ""));
    let said = told(folder, &setup("localhost", &others, shown));
    assert!(said.contains("certificate"), "{said}");
    let said = told(folder, &setup("127.0.0.1", &ours, shown));
    assert!(said.contains("certificate"), "{said}");

    fs::write(folder.join("setup.toml"), setup("localhost", &ours, shown)).unwrap();
    let packdrift = Packdrift::start(folder);
    packdrift.subscribed();
    let (topic, body, ..) = reading(0);
    let mut publisher = Publisher::connect(plain, "instruments").unwrap();
    publisher.publish(&topic, &body).unwrap();
    eventually("the reading is stored", PATIENCE, || {
        number(folder, "SELECT count(*) FROM reading") == 1
    });
    assert_eq!(packdrift.stop(), Some(0));
}

/// nginx with the server of `deploy/nginx.conf`, ended with the test.
struct Nginx(Child);

impl Nginx {
    fn start(folder: &Path, port: u16, api: &str, authority: &Authority) -> Self {
        let (certificate, key) = authority.certify("localhost");
        let deployed = fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/deploy/nginx.conf")).unwrap();
        let server = deployed
            .replace("listen 443 ssl", &format!("listen 127.0.0.1:{port} ssl"))
            .replace("hut.example", "localhost")
            .replace("/etc/ssl/hut.pem", &certificate.display().to_string())
            .replace("/etc/ssl/private/hut.key", &key.display().to_string())
            .replace("127.0.0.1:8077", api);
        let temporary = ["client_body", "proxy", "fastcgi", "uwsgi", "scgi"]
            .map(|kind| format!("{kind}_temp_path {}/{kind};\n", folder.display()))
            .concat();
        let config = folder.join("nginx.conf");
        let text = format!(
            "daemon off;\nmaster_process off;\npid {0}/nginx.pid;\nerror_log {0}/nginx.log;\nevents {{}}\nhttp {{\naccess_log off;\n{temporary}{server}\n}}\n",
            folder.display()
        );
        fs::write(&config, text).unwrap();
        let program = ["/usr/sbin/nginx"]
            .into_iter()
            .find(|path| Path::new(path).exists());
        let child = Command::new(program.unwrap_or("nginx"))
            .arg("-c")
            .arg(&config)
            .stderr(Stdio::null())
            .spawn()
            .expect("nginx is installed; tests/run sees to it");
        eventually("nginx listens", PATIENCE, || {
            std::net::TcpStream::connect(("127.0.0.1", port)).is_ok()
        });
        Self(child)
    }
}

impl Drop for Nginx {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[test]
fn behind_a_proxy_that_speaks_tls_people_sign_in_and_others_stay_out() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let authority = Authority::new(folder, "ours");
    let (token, line) = issue_token(Scope::Write);
    fs::write(folder.join("tokens"), line).unwrap();
    let private = <fs::Permissions as std::os::unix::fs::PermissionsExt>::from_mode(0o600);
    fs::set_permissions(folder.join("tokens"), private).unwrap();
    let setup = setup_with_own_broker(folder).replace("[api]\n", "[api]\ntoken_file = \"tokens\"\n");
    fs::write(folder.join("setup.toml"), setup).unwrap();
    let packdrift = Packdrift::start(folder);
    let (topic, body, ..) = reading(0);
    let mut publisher = Publisher::connect(own_port(folder), "instruments").unwrap();
    publisher.publish(&topic, &body).unwrap();
    let port = free_port();
    let _nginx = Nginx::start(folder, port, &packdrift.address().unwrap(), &authority);

    // (status, body) of what a browser's user would do.
    let jar = folder.join("jar");
    let curl = |path: &str, more: &[&str]| -> (String, String) {
        let asked = Command::new("curl")
            .args(["-sS", "--cacert"])
            .arg(&authority.file)
            .args([
                "-b",
                jar.to_str().unwrap(),
                "-c",
                jar.to_str().unwrap(),
                "-w",
                "\n%{http_code}",
            ])
            .args(more)
            .arg(format!("https://localhost:{port}{path}"))
            .output()
            .expect("curl is installed; tests/run sees to it");
        assert!(
            asked.status.success(),
            "{}",
            String::from_utf8_lossy(&asked.stderr)
        );
        let said = String::from_utf8(asked.stdout).unwrap();
        let (body, status) = said.rsplit_once('\n').unwrap();
        (status.to_owned(), body.to_owned())
    };
    let status = |path: &str, more: &[&str]| curl(path, more).0;
    assert_eq!(status("/v1/drift", &[]), "401");
    assert_ne!(status("/", &[]), "200", "the page without having signed in");
    let same = ["-H", "Sec-Fetch-Site: same-origin"];
    let sign_in = |token: &str, site: &[&str]| {
        let field = format!("token={token}");
        status(
            "/sign-in",
            &[&["--data-urlencode", field.as_str()], site].concat(),
        )
    };
    assert_ne!(sign_in("guessed", &same), "303");
    assert_ne!(sign_in(&token, &["-H", "Sec-Fetch-Site: cross-site"]), "303");
    assert_ne!(status("/", &[]), "200");
    assert_eq!(sign_in(&token, &same), "303");
    let (shown, page) = curl("/", &[]);
    assert_eq!(shown, "200");
    assert!(page.contains("<h1>skerry"), "{page}");
    let bearer = format!("Authorization: Bearer {token}");
    assert_eq!(status("/v1/drift", &["-H", &bearer]), "200");
    let large = format!("@{}", folder.join("large").display());
    fs::write(folder.join("large"), vec![b'x'; 1_000_000]).unwrap();
    assert_eq!(
        status("/v1/notes", &["-H", &bearer, "--data-binary", &large]),
        "413"
    );
}
