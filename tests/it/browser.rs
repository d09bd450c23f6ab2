//! Does a real browser show what the API answers, at every width and in both schemes, with script and without?

use std::{fs, net::SocketAddr, path::Path, process::Command, time::Duration};

use axum::{Router, http::StatusCode};
use packdrift::{
    api::{self, App},
    page,
};
use serde_json::{Value, json};
use tempfile::TempDir;
use tokio::{net::TcpListener, runtime::Runtime, sync::watch};

use crate::{harness::eventually, past, webdriver::Browser};

/// The page on a port of its own, with a short winter behind it.
struct Served {
    origin: String,
    app: App,
    stop: watch::Sender<bool>,
    runtime: Runtime,
    folder: TempDir,
}

fn serve(runtime: &Runtime, address: &str, site: Router) -> (SocketAddr, watch::Sender<bool>) {
    let mut listener = None;
    // Whoever listened there before may still be about to end.
    eventually("the address is free", Duration::from_secs(20), || {
        listener = runtime.block_on(TcpListener::bind(address)).ok();
        listener.is_some()
    });
    let listener = listener.unwrap();
    let address = listener.local_addr().unwrap();
    let (stop, stops) = watch::channel(false);
    runtime.spawn(api::serve(listener, api::guarded(site, address), stops));
    (address, stop)
}

impl Served {
    fn start(days: u32) -> Self {
        let (app, runtime, folder) = past::app(days, |_| None);
        let (address, stop) = serve(&runtime, "127.0.0.1:0", page::site(app.clone()));
        Self {
            origin: format!("http://{address}"),
            app,
            stop,
            runtime,
            folder,
        }
    }

    /// Stops what answers, and lets something else answer in its place.
    fn replace(&mut self, by: Router) {
        self.stop.send(true).unwrap();
        let address = self.origin.trim_start_matches("http://");
        (_, self.stop) = serve(&self.runtime, address, by);
    }

    fn url(&self, path: &str) -> String {
        format!("{}{path}", self.origin)
    }

    fn json(&self, path: &str) -> Value {
        let mut answer = ureq::get(self.url(path)).call().unwrap();
        answer.body_mut().read_json().unwrap()
    }

    /// A report of the same winter as a file.
    fn report(&self, to: &Path) {
        let setup = format!("{}/demo-data/skerry.toml", env!("CARGO_MANIFEST_DIR"));
        let config = self.folder.path().join("setup.toml");
        fs::copy(setup, &config).unwrap();
        let done = Command::new(env!("CARGO_BIN_EXE_packdrift"))
            .args(["report", "--since", "2025-11-02", "--config"])
            .arg(&config)
            .arg("-o")
            .arg(to)
            .output()
            .unwrap();
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    }
}

/// The exact values behind the figures of the table, row by row.
fn figures(browser: &Browser) -> Value {
    let script = "return [...document.querySelectorAll('table.bypack tbody tr')]\
                  .map(row => [...row.querySelectorAll('data')].slice(0, 3).map(one => Number(one.value)))";
    browser.script(script, &Value::Null)
}

/// The same as the API has them.
fn answered(drift: &Value) -> Value {
    let row = |pack: &Value| {
        json!([
            pack["charge_error"]["ah"].as_f64(),
            pack["charge_error"]["percent_of_capacity"].as_f64(),
            pack["rate"]["points_per_month"].as_f64(),
        ])
    };
    drift["packs"].as_array().unwrap().iter().map(row).collect()
}

/// Numbers that JavaScript and JSON write alike.
fn same(shown: &Value, answered: &Value) -> bool {
    let flat = |rows: &Value| -> Vec<Option<f64>> {
        let rows = rows.as_array().unwrap().iter();
        rows.flat_map(|row| row.as_array().unwrap().iter().map(Value::as_f64))
            .collect()
    };
    flat(shown) == flat(answered)
}

#[test]
fn a_reader_changes_since_and_keeps_a_note_with_script_and_without() {
    let site = Served::start(8);
    for scripts in [true, false] {
        let browser = Browser::start(scripts);
        browser.open(&site.url("/"));
        let whole = site.json("/v1/drift");
        assert!(same(&figures(&browser), &answered(&whole)));

        browser.enter("#since", "11032025");
        browser.click("form.stretch button");
        assert!(
            browser.address().contains("since=2025-11-03"),
            "{}",
            browser.address()
        );
        let since = site.json("/v1/drift?since=2025-11-03");
        let shown = figures(&browser);
        assert!(same(&shown, &answered(&since)), "{shown}");
        assert!(!same(&shown, &answered(&whole)), "nothing has changed");

        let words = format!("frost on the busbar, scripts {scripts}");
        browser.enter("#text", &words);
        browser.enter("#at", "11042025\t0900AM");
        browser.click("form.note button");
        assert!(browser.texts("dl.notes .words").contains(&words));
        let plot = browser.script("return document.querySelector('figure img').src", &Value::Null);
        browser.open(plot.as_str().unwrap());
        let on_plot = browser.texts("text").join("\n");
        assert!(on_plot.contains(&words), "{on_plot}");
    }
}

#[test]
fn an_open_page_follows_by_itself() {
    let site = Served::start(4);
    let browser = Browser::start(true);
    browser.open(&site.url("/"));
    // Something that only a new fragment from the daemon takes away.
    browser.script("document.getElementById('now').innerHTML = 'old'", &Value::Null);
    eventually("the section is renewed", Duration::from_secs(30), || {
        browser.texts("#now table.latest th").len() == 5 + 6
    });
}

#[test]
fn an_open_page_says_when_the_logger_is_not_heard_and_follows_again() {
    let mut site = Served::start(2);
    let browser = Browser::start(true);
    browser.open(&site.url("/"));
    // As a proxy does while nobody is behind it: a stream that is refused is given up by the browser.
    site.replace(Router::new().fallback(|| async { StatusCode::BAD_GATEWAY }));
    let told = || browser.texts("#now").join("\n");
    eventually("it is told", Duration::from_secs(40), || {
        told().contains("Not heard of the logger since ")
    });
    assert!(!told().contains("Nothing: every instrument"), "{}", told());
    assert!(
        browser.texts("#now table").is_empty(),
        "old ages look like new ones"
    );
    site.replace(page::site(site.app.clone()));
    eventually("it follows again", Duration::from_secs(40), || {
        browser.texts("#now table.latest th").len() == 5 + 6
    });
    assert!(!told().contains("Not heard"), "{}", told());
}

#[test]
fn nothing_scrolls_sideways_and_the_page_is_light() {
    let site = Served::start(30);
    let report = tempfile::tempdir().unwrap();
    let report = report.path().join("winter.html");
    site.report(&report);
    let browser = Browser::start(true);
    for url in [site.url("/"), format!("file://{}", report.display())] {
        for width in [360, 1600] {
            for scheme in ["light", "dark"] {
                browser.look(width, scheme);
                browser.open(&url);
                let beyond = browser.script(
                    "return document.documentElement.scrollWidth - document.documentElement.clientWidth",
                    &Value::Null,
                );
                assert_eq!(beyond, 0, "{url} at {width}, {scheme}");
            }
        }
    }
    browser.look(1600, "light");
    browser.tell("Network.enable", &json!({}));
    browser.tell("Network.setCacheDisabled", &json!({"cacheDisabled": true}));
    browser.open(&site.url("/"));
    let transferred = browser.waited(
        "const done = arguments[arguments.length - 1];\
         const images = [...document.images];\
         images.forEach(image => image.loading = 'eager');\
         Promise.all(images.map(image => image.decode())).then(() => done(\
           [performance.getEntriesByType('navigation'), performance.getEntriesByType('resource')]\
             .flat().filter(entry => entry.initiatorType !== 'other').map(entry => [entry.name, entry.transferSize])))",
    );
    let entries = transferred.as_array().unwrap();
    let bytes: u64 = entries.iter().map(|entry| entry[1].as_u64().unwrap()).sum();
    assert!(entries.len() >= 6, "{transferred}");
    assert!(bytes <= 100 * 1024, "{bytes} bytes: {transferred}");
    println!("{bytes} bytes transferred with all plots: {transferred}");
}

#[test]
fn axe_finds_no_violation_on_page_and_report() {
    let axe = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/axe/node_modules/axe-core/axe.min.js");
    let axe = fs::read_to_string(&axe)
        .unwrap_or_else(|error| panic!("{}: {error}; tests/run installs axe-core", axe.display()));
    let site = Served::start(30);
    let note = json!({"at": "2025-11-05T09:00:00Z", "pack": "tern", "kind": "observation", "text": "ice\n".repeat(300)});
    ureq::post(site.url("/v1/notes")).send_json(&note).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let report = folder.path().join("winter.html");
    site.report(&report);
    let browser = Browser::start(true);
    for url in [
        site.url("/"),
        site.url("/?since=tomorrow"),
        site.url("/sign-in"),
        format!("file://{}", report.display()),
    ] {
        for (width, scheme) in [(360, "light"), (1600, "light"), (1600, "dark")] {
            browser.look(width, scheme);
            browser.open(&url);
            browser.script(&axe, &Value::Null);
            let found = browser.waited(
                "const done = arguments[arguments.length - 1];\
                 axe.run().then(found => done({passes: found.passes.length, violations: found.violations.map(one => \
                   one.id + ': ' + one.help + ': ' + one.nodes.slice(0, 3).map(node => node.html.slice(0, 200)).join(' | '))}))",
            );
            assert!(
                found["passes"].as_u64().unwrap() > 5,
                "{url}: axe has looked at nothing: {found}"
            );
            assert_eq!(found["violations"], json!([]), "{url} at {width}, {scheme}");
        }
    }
}

/// Texts of a plot that lie over each other or are cut by the edge of the sheet.
const COLLISIONS: &str = "
    const box = document.documentElement.viewBox.baseVal;
    const texts = [...document.querySelectorAll('text')].map(e => [e.textContent, e.getBBox()]).filter(([t]) => t.trim());
    const found = [];
    texts.forEach(([one, a], i) => {
        if (a.x < -1 || a.y < -1 || a.x + a.width > box.width + 1 || a.y + a.height > box.height + 1) found.push('cut: ' + one);
        texts.slice(i + 1).forEach(([other, b]) => {
            const wide = Math.min(a.x + a.width, b.x + b.width) - Math.max(a.x, b.x);
            const high = Math.min(a.y + a.height, b.y + b.height) - Math.max(a.y, b.y);
            if (wide > 1 && high > 4) found.push(one + ' over ' + other);
        });
    });
    return [texts.length, found];";

/// Asks the HTML checker that `tests/run` installs, with its rules for what the standard demands.
#[test]
fn page_and_report_conform_to_html() {
    let checker = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/html/node_modules/.bin/html-validate");
    assert!(
        checker.exists(),
        "{} is missing; tests/run installs html-validate",
        checker.display()
    );
    let served = Served::start(20);
    let folder = served.folder.path();
    fs::write(
        folder.join(".htmlvalidate.json"),
        r#"{"root": true, "extends": ["html-validate:standard"]}"#,
    )
    .unwrap();
    served.report(&folder.join("report.html"));
    let page = ureq::get(served.url("/?since=2025-11-02"))
        .call()
        .unwrap()
        .body_mut()
        .read_to_string()
        .unwrap();
    fs::write(folder.join("page.html"), &page).unwrap();
    // A checker that finds nothing wrong here has not looked.
    fs::write(folder.join("wrong.html"), page.replacen("</h1>", "</h2>", 1)).unwrap();
    let conforms = |name: &str| {
        let said = Command::new(&checker)
            .arg(name)
            .current_dir(folder)
            .output()
            .unwrap();
        (
            said.status.success(),
            String::from_utf8_lossy(&said.stdout).into_owned(),
        )
    };
    for name in ["page.html", "report.html"] {
        let (conforms, told) = conforms(name);
        assert!(conforms, "{told}");
    }
    assert!(!conforms("wrong.html").0);
}

#[test]
fn saved_plots_render_alone_and_their_words_do_not_collide() {
    let site = Served::start(30);
    for day in [3, 4, 5, 20] {
        let note = json!({"at": format!("2025-11-{day:02}T09:00:00Z"), "pack": "gannet", "kind": "observation", "text": "wind from the north, hut shaking, everything iced"});
        ureq::post(site.url("/v1/notes")).send_json(&note).unwrap();
    }
    let folder = tempfile::tempdir().unwrap();
    let browser = Browser::start(true);
    for plot in page::plots::Plot::ALL {
        for size in ["wide", "narrow"] {
            let url = site.url(&format!("/v1/plots/{}.svg?size={size}", plot.name()));
            let svg = ureq::get(url)
                .call()
                .unwrap()
                .body_mut()
                .read_to_string()
                .unwrap();
            let file = folder.path().join(format!("{}-{size}.svg", plot.name()));
            fs::write(&file, svg).unwrap();
            browser.open(&format!("file://{}", file.display()));
            let shown = browser.script(COLLISIONS, &Value::Null);
            assert!(shown[0].as_u64().unwrap() >= 3, "{}: {shown}", file.display());
            assert_eq!(shown[1], json!([]), "{}", file.display());
            let picture = file.with_extension("png");
            let drawn = Command::new("rsvg-convert")
                .arg(&file)
                .arg("-o")
                .arg(&picture)
                .output()
                .expect("rsvg-convert is installed; tests/run sees to it");
            assert!(
                drawn.status.success() && drawn.stderr.is_empty(),
                "{}",
                String::from_utf8_lossy(&drawn.stderr)
            );
            assert!(
                fs::metadata(&picture).unwrap().len() > 5000,
                "{}",
                picture.display()
            );
        }
    }
}
