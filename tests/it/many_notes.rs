//! Do answers, page, plots and commands stay small, and the arithmetic whole, however many notes there are?

use std::{path::Path, process::Command};

use axum::{
    Router,
    body::{Body, to_bytes},
    http::{Request, StatusCode},
};
use packdrift::{
    demo::{Kind as Winter, Plan, simulate},
    page,
    store::{
        self,
        note::{self, Kind, Said, Subject},
    },
};
use scraper::{Html, Selector};
use serde_json::Value;
use tower::ServiceExt;

use crate::{export::place, past};

/// More than two pages.
const MANY: usize = 1203;
/// 2 November 2025, ms since 1970.
const BEGIN_MS: i64 = 1_762_041_600_000;

/// Puts many notes into a store, three an instant; the first says that tern was recalibrated.
fn put_notes(path: &Path) {
    let mut connection = store::read_write(path).unwrap();
    let transaction = connection.transaction().unwrap();
    for n in 0..MANY {
        let said = Said {
            at_ms: BEGIN_MS + 60_000 * i64::try_from(n / 3).unwrap(),
            subject: Subject::Instrument(if n % 2 == 0 { "tern" } else { "skua" }.to_owned()),
            kind: if n == 0 {
                Kind::Recalibration
            } else {
                Kind::Observation
            },
            text: n.to_string(),
        };
        note::add(&transaction, BEGIN_MS, said).unwrap();
    }
    transaction.commit().unwrap();
}

struct Site {
    router: Router,
    runtime: tokio::runtime::Runtime,
    _folder: tempfile::TempDir,
}

impl Site {
    fn with_many_notes() -> Self {
        let folder = tempfile::tempdir().unwrap();
        put_notes(&folder.path().join("packdrift.sqlite"));
        let plan = Plan {
            days: 4,
            ..Plan::new(Winter::Sparse, 3)
        };
        let (app, runtime) = past::app_in(folder.path(), past::setup(), simulate(&plan).readings(), None);
        Self {
            router: page::site(app),
            runtime,
            _folder: folder,
        }
    }

    fn get(&self, path: &str) -> (StatusCode, String) {
        self.runtime.block_on(async {
            let request = Request::get(path).body(Body::empty()).unwrap();
            let response = self.router.clone().oneshot(request).await.unwrap();
            let status = response.status();
            let bytes = to_bytes(response.into_body(), usize::MAX).await.unwrap();
            (status, String::from_utf8(bytes.to_vec()).unwrap())
        })
    }

    fn json(&self, path: &str) -> Value {
        let (status, body) = self.get(path);
        assert_eq!(status, StatusCode::OK, "{path}: {body}");
        serde_json::from_str(&body).unwrap()
    }

    /// Number and revision of what stands on each page of a list, the newest page first.
    fn pages(&self, path: &str) -> Vec<Vec<(i64, i64)>> {
        let mut pages = Vec::new();
        let mut before = String::new();
        loop {
            let page = self.json(&format!("{path}{before}"));
            assert_eq!(page["in_all"].is_null(), !pages.is_empty());
            let place = |note: &Value| (note["id"].as_i64().unwrap(), note["revision"].as_i64().unwrap());
            pages.push(page["notes"].as_array().unwrap().iter().map(place).collect());
            match page["next_before"].as_str() {
                Some(place) => before = format!("&before={place}"),
                None => return pages,
            }
        }
    }
}

fn in_order(pages: Vec<Vec<(i64, i64)>>) -> Vec<(i64, i64)> {
    pages.into_iter().rev().flatten().collect()
}

#[test]
fn a_list_comes_a_page_at_a_time_the_newest_first() {
    let site = Site::with_many_notes();
    let every: Vec<_> = (1..=i64::try_from(MANY).unwrap()).map(|id| (id, 1)).collect();
    let pages = site.pages("/v1/notes?bank=skerry");
    assert_eq!(pages.iter().map(Vec::len).collect::<Vec<_>>(), [500, 500, 203]);
    assert_eq!(in_order(pages), every);
    // However pages part those of one instant.
    assert_eq!(in_order(site.pages("/v1/notes?limit=100")), every);
    assert_eq!(site.json("/v1/notes?limit=1")["in_all"], MANY);

    let withdrawn = site.runtime.block_on(async {
        let request = Request::delete("/v1/notes/600").body(Body::empty()).unwrap();
        site.router.clone().oneshot(request).await.unwrap().status()
    });
    assert_eq!(withdrawn, StatusCode::OK);
    let mut history = every.clone();
    history.insert(600, (600, 2));
    assert_eq!(in_order(site.pages("/v1/notes?history=true")), history);
    assert_eq!(in_order(site.pages("/v1/notes?history=true&limit=7")), history);
    let mut standing = every;
    standing.remove(599);
    assert_eq!(in_order(site.pages("/v1/notes?limit=499")), standing);
    assert_eq!(site.json("/v1/notes")["in_all"], MANY - 1);

    let (status, problem) = site.get("/v1/notes?before=yesterday");
    assert_eq!(status, StatusCode::BAD_REQUEST);
    assert!(problem.contains("next_before"), "{problem}");
    assert_eq!(site.get("/v1/notes?bank=island").0, StatusCode::NOT_FOUND);
}

#[test]
fn the_page_lists_the_newest_and_says_where_the_others_are() {
    let site = Site::with_many_notes();
    let html = Html::parse_document(&site.get("/").1);
    let all = |selector: &str| -> Vec<String> {
        let selector = Selector::parse(selector).unwrap();
        html.select(&selector)
            .map(|found| found.text().collect())
            .collect()
    };
    let numbers = all("dl.notes .number");
    assert_eq!((numbers.len(), numbers[99].as_str()), (100, "1203"));
    assert_eq!(all("dl.notes .words")[99], "1202");
    let hints = all(".hint");
    assert!(
        hints.contains(&"The last 100 of 1203; all of them, a page at a time.".to_owned()),
        "{hints:?}"
    );
    // What answers rest on is looked for among all of them.
    let drift = site.json("/v1/drift?pack=tern");
    assert_eq!(
        drift["packs"][0]["epochs"].as_array().unwrap().len(),
        2,
        "{drift}"
    );
}

#[test]
fn a_plot_marks_what_can_be_seen_and_says_what_it_leaves_out() {
    let site = Site::with_many_notes();
    for size in ["wide", "narrow"] {
        let (_, svg) = site.get(&format!("/v1/plots/charge-error.svg?size={size}"));
        let xml = roxmltree::Document::parse(&svg).unwrap();
        let with = |class: &str| {
            xml.descendants()
                .filter(|node| node.attribute("class") == Some(class))
                .count()
        };
        let flags = with("flag");
        assert!((4..200).contains(&flags), "{flags}");
        assert_eq!(with("noteline"), flags);
        let texts: Vec<_> = xml
            .descendants()
            .filter(|node| node.has_tag_name(("http://www.w3.org/2000/svg", "text")))
            .filter_map(|node| node.text())
            .collect();
        assert!(texts.contains(&"1203"), "the newest is marked: {texts:?}");
        let told = texts.join(" ");
        let unmarked = format!("{} older notes are not marked, for want of room", 500 - flags);
        assert!(told.contains(&unmarked), "{told}");
        assert!(
            told.contains("no note before 2 Nov 2025 is marked; there are 703"),
            "{told}"
        );
    }
}

#[test]
fn commands_list_the_newest_and_export_every_revision() {
    let folder = place(1);
    put_notes(&folder.path().join("packdrift.sqlite"));
    let told = |words: &[&str]| {
        let output = Command::new(env!("CARGO_BIN_EXE_packdrift"))
            .args(words)
            .current_dir(folder.path())
            .output()
            .unwrap();
        assert!(
            output.status.success(),
            "{words:?}: {}",
            String::from_utf8_lossy(&output.stderr)
        );
        String::from_utf8(output.stdout).unwrap()
    };
    let listed = told(&["notes"]);
    assert!(
        listed.contains("the last 500 of 1203; `packdrift export notes`"),
        "{listed}"
    );
    assert_eq!(listed.matches("observation").count(), 500);
    let exported = told(&["export", "notes"]);
    let texts: Vec<_> = exported.lines().skip(1).collect();
    assert_eq!(texts.len(), MANY, "{:?}", &texts[..3]);
    assert!(texts[0].contains("recalibration") && texts[MANY - 1].contains("1202"));
}
