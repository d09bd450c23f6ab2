//! Chromium, driven over `WebDriver` (W3C), as far as the browser tests need it.

use std::{
    path::Path,
    process::{Child, Command, Stdio},
    time::Duration,
};

use serde_json::{Value, json};

use crate::harness::{eventually, free_port};

/// How a JSON document names an element (`WebDriver`, 12.2).
const ELEMENT: &str = "element-6066-11e4-a52e-4f735466cecf";

/// A browser of a test's own.
pub struct Browser {
    driver: Child,
    session: String,
    profile: tempfile::TempDir,
}

impl Browser {
    /// Starts one; `scripts`: whether it runs those of a page.
    pub fn start(scripts: bool) -> Self {
        let port = free_port();
        let driver = Command::new("chromedriver")
            .arg(format!("--port={port}"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver is installed; tests/run sees to it");
        let profile = tempfile::tempdir().unwrap();
        let mut browser = Self {
            driver,
            session: format!("http://127.0.0.1:{port}"),
            profile,
        };
        eventually("chromedriver answers", Duration::from_secs(20), || {
            let asked = agent().get(format!("{}/status", browser.session)).call();
            asked.is_ok_and(|mut status| {
                let said: Value = status.body_mut().read_json().unwrap();
                said["value"]["ready"] == true
            })
        });
        let profile = format!("--user-data-dir={}", browser.profile.path().display());
        let mut options = json!({"args": [
            "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
            "--disable-background-networking", "--disable-component-update", "--disable-sync",
            "--disable-dev-shm-usage", "--lang=en-US", profile,
        ]});
        if let Some(binary) = ["/usr/bin/chromium", "/usr/bin/chromium-browser"]
            .into_iter()
            .find(|path| Path::new(path).exists())
        {
            options["binary"] = binary.into();
        }
        if !scripts {
            options["prefs"] = json!({"profile.managed_default_content_settings.javascript": 2});
        }
        let wanted = json!({"capabilities": {"alwaysMatch": {"goog:chromeOptions": options}}});
        let started = browser.post("/session", &wanted);
        let id = started["sessionId"].as_str().unwrap().to_owned();
        browser.session = format!("{}/session/{id}", browser.session);
        browser
    }

    fn post(&self, path: &str, body: &Value) -> Value {
        let mut answer = agent()
            .post(format!("{}{path}", self.session))
            .send_json(body)
            .unwrap();
        let status = answer.status();
        let document: Value = answer
            .body_mut()
            .with_config()
            .limit(100_000_000)
            .read_json()
            .unwrap();
        assert!(status.is_success(), "{path}: {}", document["value"]["message"]);
        document["value"].clone()
    }

    /// Opens an address and waits until it is loaded.
    pub fn open(&self, url: &str) {
        self.post("/url", &json!({ "url": url }));
    }

    fn element(&self, selector: &str) -> String {
        let found = self.post("/element", &json!({"using": "css selector", "value": selector}));
        found[ELEMENT].as_str().unwrap().to_owned()
    }

    /// Types into a field.
    pub fn enter(&self, selector: &str, text: &str) {
        let element = self.element(selector);
        self.post(&format!("/element/{element}/value"), &json!({ "text": text }));
    }

    /// Clicks, and waits for the page that follows.
    pub fn click(&self, selector: &str) {
        let element = self.element(selector);
        // On a busy machine the click is over before the page that follows has begun.
        self.script("window.isLeft = true", &Value::Null);
        self.post(&format!("/element/{element}/click"), &json!({}));
        eventually("a page follows the click", Duration::from_secs(20), || {
            let script = "return !window.isLeft && document.readyState === 'complete'";
            self.script(script, &Value::Null) == true
        });
    }

    /// What a script says; `arguments` holds `argument`.
    pub fn script(&self, script: &str, argument: &Value) -> Value {
        self.post("/execute/sync", &json!({"script": script, "args": [argument]}))
    }

    /// What a script says to its callback, the last of its `arguments`.
    pub fn waited(&self, script: &str) -> Value {
        self.post("/execute/async", &json!({"script": script, "args": []}))
    }

    /// The address shown.
    pub fn address(&self) -> String {
        let address = self.script("return location.href", &Value::Null);
        address.as_str().unwrap().to_owned()
    }

    /// The texts of all such elements, as a reader sees them.
    pub fn texts(&self, selector: &str) -> Vec<String> {
        let script =
            "return [...document.querySelectorAll(arguments[0])].map(e => e.innerText ?? e.textContent)";
        let texts = self.script(script, &json!(selector));
        serde_json::from_value(texts).unwrap()
    }

    /// A command of the browser's own protocol.
    pub fn tell(&self, command: &str, parameters: &Value) -> Value {
        self.post(
            "/goog/cdp/execute",
            &json!({"cmd": command, "params": parameters}),
        )
    }

    /// Shows pages at this width, light or dark.
    pub fn look(&self, width: u32, scheme: &str) {
        let feature = json!({"features": [{"name": "prefers-color-scheme", "value": scheme}]});
        self.tell("Emulation.setEmulatedMedia", &feature);
        let screen = json!({"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500});
        self.tell("Emulation.setDeviceMetricsOverride", &screen);
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        // Ends the browser; the driver alone would leave it behind.
        let _ = agent().delete(&self.session).call();
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

fn agent() -> ureq::Agent {
    ureq::Agent::config_builder()
        .http_status_as_error(false)
        .build()
        .into()
}
