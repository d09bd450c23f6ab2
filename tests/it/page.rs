//! Does the page say what the API answers, take notes from this page only, and show what people wrote as text?

use std::{collections::BTreeMap, fmt::Write};

use axum::{
    Router,
    body::{Body, to_bytes},
    http::{HeaderMap, Request, StatusCode, header},
};
use packdrift::{
    api::{Scope, Tokens, issue_token},
    page,
};
use scraper::{Html, Selector};
use serde_json::{Value, json};
use tower::ServiceExt;

use crate::past;

/// What a note may hold that should not reach a reader as such.
const HOSTILE: &str = "<script>alert('a \"note\"')</script> \u{202e}gnp.exe \u{1b}[31m\u{0} \u{5e9}\u{5dc}\u{5d5}\u{5dd} 🔋 & <b>";

/// A page on a store with a short winter in it.
struct Site {
    router: Router,
    runtime: tokio::runtime::Runtime,
    _folder: tempfile::TempDir,
}

/// What came back.
struct Came {
    status: StatusCode,
    headers: HeaderMap,
    body: String,
}

impl Site {
    fn new(days: u32, scopes: &[Scope]) -> (Self, Vec<String>) {
        let issued: Vec<_> = scopes.iter().map(|scope| issue_token(*scope)).collect();
        let (app, runtime, folder) = past::app(days, |folder| {
            (!issued.is_empty()).then(|| admitted(folder, &issued))
        });
        let site = Self {
            router: page::site(app),
            runtime,
            _folder: folder,
        };
        (site, issued.into_iter().map(|(token, _)| token).collect())
    }

    fn open(days: u32) -> Self {
        Self::new(days, &[]).0
    }

    fn send(&self, method: &str, path: &str, headers: &[(&str, &str)], body: String) -> Came {
        let mut request = Request::builder().method(method).uri(path);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        self.runtime.block_on(async {
            let request = request.body(Body::from(body)).unwrap();
            let response = self.router.clone().oneshot(request).await.unwrap();
            let (parts, body) = response.into_parts();
            let bytes = to_bytes(body, usize::MAX).await.unwrap();
            Came {
                status: parts.status,
                headers: parts.headers,
                body: String::from_utf8(bytes.to_vec()).unwrap(),
            }
        })
    }

    fn get(&self, path: &str) -> Came {
        self.send("GET", path, &[], String::new())
    }

    /// A page that must be there and be HTML as its grammar has it.
    fn page(&self, path: &str) -> Html {
        let came = self.get(path);
        assert_eq!(came.status, StatusCode::OK, "{path}: {}", came.body);
        let html = Html::parse_document(&came.body);
        assert!(html.errors.is_empty(), "{path}: {:?}", html.errors);
        html
    }

    fn json(&self, path: &str) -> Value {
        serde_json::from_str(&self.get(path).body).unwrap()
    }

    /// Sends the note form as a browser would that got the page before.
    fn send_note(&self, path: &str, text: &str, headers: &[(&str, &str)]) -> Came {
        let page = self.get(path);
        let cookie = cookie(&page);
        let html = Html::parse_document(&page.body);
        let mut fields: BTreeMap<&str, &str> = all(&html, "form.note input[type=hidden]")
            .map(|input| (input.attr("name").unwrap(), input.attr("value").unwrap()))
            .collect();
        fields.extend([
            ("whom", "pack tern"),
            ("kind", "observation"),
            ("at", "2025-11-03T09:00"),
            ("text", text),
        ]);
        let usual = [
            ("content-type", "application/x-www-form-urlencoded"),
            ("host", "127.0.0.1:8077"),
            ("cookie", cookie.as_str()),
        ];
        self.send("POST", "/notes", &[&usual, headers].concat(), form(&fields))
    }
}

/// The tokens of a file with these lines.
fn admitted(folder: &std::path::Path, issued: &[(String, String)]) -> Tokens {
    use std::os::unix::fs::PermissionsExt;
    let path = folder.join("tokens");
    let lines: Vec<_> = issued.iter().map(|(_, line)| line.as_str()).collect();
    std::fs::write(&path, lines.join("\n")).unwrap();
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).unwrap();
    Tokens::load(&path).unwrap()
}

/// What a browser would send back of what came.
fn cookie(came: &Came) -> String {
    let set = came.headers.get(header::SET_COOKIE).unwrap().to_str().unwrap();
    assert!(
        set.contains("HttpOnly") && set.contains("SameSite=Strict"),
        "{set}"
    );
    set.split(';').next().unwrap().to_owned()
}

fn form(fields: &BTreeMap<&str, &str>) -> String {
    let mut body = String::new();
    for (name, value) in fields {
        write!(body, "{name}=").unwrap();
        for byte in value.bytes() {
            write!(body, "%{byte:02x}").unwrap();
        }
        body.push('&');
    }
    body
}

fn all<'a>(html: &'a Html, selector: &str) -> impl Iterator<Item = scraper::ElementRef<'a>> {
    let found: Vec<_> = html.select(&Selector::parse(selector).unwrap()).collect();
    found.into_iter()
}

fn text(html: &Html, selector: &str) -> Vec<String> {
    all(html, selector)
        .map(|element| element.text().collect())
        .collect()
}

/// The exact values behind the figures of a place.
fn values(html: &Html, selector: &str) -> Vec<f64> {
    all(html, &format!("{selector} data"))
        .map(|data| data.attr("value").unwrap().parse().unwrap())
        .collect()
}

const PLOTS: [&str; 6] = [
    "charge-error",
    "state-of-charge",
    "rates",
    "budget",
    "balance",
    "reference",
];

#[test]
fn the_figures_are_those_of_the_answer() {
    let site = Site::open(6);
    for query in ["", "?since=2025-11-03", "?since=2025-11-02&until=2025-11-05"] {
        let html = site.page(&format!("/{query}"));
        let drift = site.json(&format!("/v1/drift{query}"));
        for (place, pack) in drift["packs"].as_array().unwrap().iter().enumerate() {
            let row = format!("tbody tr:nth-child({})", place + 1);
            let expect = [
                &pack["charge_error"]["ah"],
                &pack["charge_error"]["percent_of_capacity"],
                &pack["rate"]["points_per_month"],
                &pack["display"]["soc_percent"],
                &pack["display"]["actual_percent"],
            ]
            .map(|value| value.as_f64().unwrap());
            assert_eq!(values(&html, &row), expect, "{query}");
            let sentence = format!("ul.packs li:nth-child({})", place + 1);
            assert_eq!(values(&html, &sentence)[..1], expect[..1]);
            let shown = &text(&html, &sentence)[0];
            let uncertainty = pack["charge_error"]["expanded_uncertainty_ah"].as_f64().unwrap();
            let digits = if uncertainty < 1.0 { 2 } else { 1 };
            let figure = format!("{:.digits$} ± {uncertainty:.digits$} Ah", expect[0].abs());
            assert!(shown.contains(&figure), "{shown} without {figure}");
        }
    }
}

#[test]
fn the_page_has_no_script_in_it() {
    let site = Site::open(6);
    let came = site.get("/");
    let policy = came.headers["content-security-policy"].to_str().unwrap();
    assert!(
        policy.contains("default-src 'none'") && !policy.contains("unsafe"),
        "{policy}"
    );
    assert!(policy.contains("script-src 'self';"), "{policy}");
    let html = Html::parse_document(&came.body);
    let scripts: Vec<_> = all(&html, "script").collect();
    assert_eq!((scripts.len(), scripts[0].attr("src")), (1, Some("/page.js")));
    assert_eq!(scripts[0].text().count(), 0, "a script in the document");
    assert_eq!(site.get("/page.js").status, StatusCode::OK);
    for element in ["link[rel=stylesheet]", "[style]", "[onclick]"] {
        assert_eq!(all(&html, element).count(), 0, "{element}");
    }
    let images: Vec<_> = all(&html, "img").collect();
    assert_eq!(images.len(), PLOTS.len());
    for (image, plot) in images.into_iter().zip(PLOTS) {
        // The text alternative carries the figures, where there are any.
        let has_figures = image
            .attr("alt")
            .unwrap()
            .contains(|letter: char| letter.is_ascii_digit());
        assert!(has_figures || ["reference", "balance"].contains(&plot), "{plot}");
        let svg = site.get(image.attr("src").unwrap());
        assert_eq!(svg.status, StatusCode::OK);
    }
}

#[test]
fn a_page_left_open_follows() {
    let site = Site::open(4);
    let page = site.page("/");
    let came = site.get("/now?bank=skerry");
    assert_eq!(came.headers["content-type"], "text/event-stream");
    let data: String = came
        .body
        .lines()
        .filter_map(|line| line.strip_prefix("data: "))
        .collect();
    let shown = text(&Html::parse_fragment(&data), "table.latest th");
    assert_eq!(shown.len(), 5 + 6, "heads and instruments");
    assert_eq!(text(&page, "#now table.latest th"), shown);
    // What a browser is refused, it doesn't ask for again.
    let refused = site.get("/now?bank=island");
    assert_eq!(refused.status, StatusCode::OK);
    assert!(
        refused.body.contains("data: ") && refused.body.contains("No such bank"),
        "{}",
        refused.body
    );
    let (guarded, _) = Site::new(0, &[Scope::Read]);
    let signed_out = guarded.get("/now");
    assert_eq!(signed_out.status, StatusCode::OK);
    assert_eq!(signed_out.headers["content-type"], "text/event-stream");
    assert!(
        signed_out.body.contains("/sign-in") && !signed_out.body.contains("tern"),
        "{}",
        signed_out.body
    );
}

#[test]
fn before_the_first_reading_the_page_says_so() {
    let site = Site::open(0);
    let html = site.page("/");
    assert!(text(&html, "#answer")[0].contains("Nothing has been heard"));
    assert!(values(&html, "tbody").is_empty());
    for plot in PLOTS {
        let svg = site.get(&format!("/v1/plots/{plot}.svg"));
        assert_eq!(svg.status, StatusCode::OK);
        roxmltree::Document::parse(&svg.body).unwrap();
    }
}

#[test]
fn plots_stand_by_themselves() {
    let site = Site::open(6);
    for plot in PLOTS {
        for size in ["wide", "narrow"] {
            let came = site.get(&format!("/v1/plots/{plot}.svg?since=2025-11-02&size={size}"));
            assert_eq!(came.headers["content-type"], "image/svg+xml");
            let xml = roxmltree::Document::parse(&came.body).unwrap();
            let named = |name: &str| {
                xml.descendants()
                    .filter(|node| node.has_tag_name(("http://www.w3.org/2000/svg", name)))
                    .count()
            };
            assert_eq!(named("script"), 0);
            assert!(named("style") == 1 && named("text") > 3, "{plot}");
            for node in xml.descendants() {
                for attribute in node.attributes() {
                    let (name, value) = (attribute.name(), attribute.value());
                    assert!(
                        name != "href" && !name.starts_with("on") && !value.contains("//"),
                        "{plot}: {name}={value}"
                    );
                }
            }
            assert!(!came.body.contains("NaN") && !came.body.contains("inf"), "{plot}");
        }
    }
    assert_eq!(site.get("/v1/plots/weather.svg").status, StatusCode::NOT_FOUND);
    assert_eq!(
        site.get("/v1/plots/rates.svg?size=vast").status,
        StatusCode::BAD_REQUEST
    );
}

#[test]
fn a_note_from_the_form_appears_on_page_and_plot() {
    let site = Site::open(4);
    let came = site.send_note(
        "/?since=2025-11-02",
        "cold morning",
        &[("sec-fetch-site", "same-origin")],
    );
    assert_eq!(came.status, StatusCode::SEE_OTHER, "{}", came.body);
    assert_eq!(came.headers["location"], "/?bank=skerry&since=2025-11-02#notes");
    let note = &site.json("/v1/notes")["notes"][0];
    assert_eq!(
        (&note["text"], &note["at"]),
        (&json!("cold morning"), &json!("2025-11-03T08:00:00Z")),
        "nine in Oslo"
    );
    let html = site.page("/?since=2025-11-02");
    assert_eq!(text(&html, "dl.notes .words"), ["cold morning"]);
    assert!(
        site.get("/v1/plots/charge-error.svg")
            .body
            .contains("cold morning")
    );
}

#[test]
fn a_note_that_is_refused_stays_in_the_form() {
    let site = Site::open(4);
    let long = "n".repeat(20_001);
    let came = site.send_note("/", &long, &[]);
    assert_eq!(came.status, StatusCode::UNPROCESSABLE_ENTITY);
    let html = Html::parse_document(&came.body);
    assert!(text(&html, "form.note [role=alert]")[0].contains("20000 characters"));
    assert_eq!(text(&html, "form.note textarea"), [long]);
    assert_eq!(site.json("/v1/notes")["notes"], json!([]));
}

#[test]
fn no_other_site_can_send_the_form() {
    let site = Site::open(0);
    for headers in [
        &[("sec-fetch-site", "cross-site")][..],
        &[("sec-fetch-site", "same-site")],
        &[("origin", "https://winter.example")],
        &[("origin", "null")],
    ] {
        assert_eq!(
            site.send_note("/", "planted", headers).status,
            StatusCode::FORBIDDEN,
            "{headers:?}"
        );
    }
    // A name of somebody else's that was made to point at this machine, and a form without the cookie's secret.
    let usual = ("content-type", "application/x-www-form-urlencoded");
    let secret = cookie(&site.get("/"));
    let fields = |secret| {
        form(&BTreeMap::from([
            ("secret", secret),
            ("bank", "skerry"),
            ("whom", "pack tern"),
            ("kind", "observation"),
            ("text", "planted"),
        ]))
    };
    let known = fields(secret.split_once('=').unwrap().1);
    let rebound = [
        usual,
        ("cookie", secret.as_str()),
        ("host", "winter.example:8077"),
    ];
    assert_eq!(
        site.send("POST", "/notes", &rebound, known).status,
        StatusCode::FORBIDDEN
    );
    let guessed = [usual, ("cookie", secret.as_str()), ("host", "127.0.0.1:8077")];
    assert_eq!(
        site.send("POST", "/notes", &guessed, fields("0")).status,
        StatusCode::FORBIDDEN
    );
    assert_eq!(site.json("/v1/notes")["notes"], json!([]));
}

#[test]
fn what_people_write_is_shown_as_text() {
    let site = Site::open(4);
    let long = format!("{HOSTILE} {}", "wörds ".repeat(1700));
    for text in [HOSTILE, &long] {
        let note = json!({"at": "2025-11-03T09:00:00Z", "pack": "tern", "kind": "observation", "text": text});
        let came = site.send(
            "POST",
            "/v1/notes",
            &[("content-type", "application/json")],
            note.to_string(),
        );
        assert_eq!(came.status, StatusCode::CREATED);
    }
    let html = site.page("/");
    let shown = text(&html, "dl.notes .words");
    assert!(
        shown[0].starts_with("<script>alert('a \"note\"')</script> [U+202E]gnp.exe ␛[31m␀ \u{5e9}"),
        "{}",
        shown[0]
    );
    assert!(shown[1].chars().count() > 10_000);
    assert_eq!(all(&html, "script:not([src]), dl.notes b").count(), 0);
    for plot in PLOTS {
        let svg = site.get(&format!("/v1/plots/{plot}.svg")).body;
        let xml = roxmltree::Document::parse(&svg).unwrap();
        assert!(xml.descendants().all(|node| node.tag_name().name() != "script"));
        if plot == "charge-error" {
            let texts: String = xml.descendants().filter_map(|node| node.text()).collect();
            assert!(texts.contains("<script>alert('a"), "{texts}");
        }
    }
}

#[test]
fn beyond_this_machine_a_person_signs_in_once() {
    let (site, tokens) = Site::new(0, &[Scope::Read, Scope::Write]);
    let came = site.get("/");
    assert_eq!(
        (came.status, &came.headers["location"]),
        (StatusCode::SEE_OTHER, &"/sign-in".parse().unwrap())
    );
    for path in ["/v1/plots/rates.svg", "/v1/drift"] {
        assert_eq!(site.get(path).status, StatusCode::UNAUTHORIZED);
    }
    assert_eq!(site.page("/sign-in").errors.len(), 0);
    let usual = [("content-type", "application/x-www-form-urlencoded")];
    let sign_in = |token: &str| {
        site.send(
            "POST",
            "/sign-in",
            &usual,
            form(&BTreeMap::from([("token", token)])),
        )
    };
    assert_eq!(sign_in("guessed").status, StatusCode::FORBIDDEN);
    for (token, may_write) in tokens.iter().zip([false, true]) {
        let came = sign_in(token);
        assert_eq!(came.status, StatusCode::SEE_OTHER);
        let session = cookie(&came);
        assert!(
            !session.contains(token.as_str()),
            "the token itself stays out of the cookie"
        );
        let came = site.send("GET", "/", &[("cookie", &session)], String::new());
        assert_eq!(came.status, StatusCode::OK);
        let html = Html::parse_document(&came.body);
        assert_eq!(all(&html, "form.note").count(), usize::from(may_write));
        let plot = site.send(
            "GET",
            "/v1/plots/rates.svg",
            &[("cookie", &session)],
            String::new(),
        );
        assert_eq!(plot.status, StatusCode::OK);
        // The cookie opens the page, not the API: that wants its token every time.
        let api = site.send("GET", "/v1/drift", &[("cookie", &session)], String::new());
        assert_eq!(api.status, StatusCode::UNAUTHORIZED);
        let note = [usual[0], ("cookie", &session)];
        let fields = BTreeMap::from([
            ("secret", ""),
            ("bank", "skerry"),
            ("whom", "pack tern"),
            ("kind", "observation"),
            ("text", "x"),
        ]);
        assert_eq!(
            site.send("POST", "/notes", &note, form(&fields)).status,
            StatusCode::FORBIDDEN
        );
        // With the form's own secret it is the token's scope that decides, whatever the host is called.
        let secret = cookie(&came);
        let both = format!("{session}; {secret}");
        let note = [usual[0], ("cookie", both.as_str()), ("host", "winter.example")];
        let fields = BTreeMap::from([("secret", secret.split_once('=').unwrap().1)])
            .into_iter()
            .chain(fields.into_iter().filter(|(name, _)| *name != "secret"))
            .collect();
        let kept = site.send("POST", "/notes", &note, form(&fields)).status;
        let expect = if may_write {
            StatusCode::SEE_OTHER
        } else {
            StatusCode::FORBIDDEN
        };
        assert_eq!(kept, expect);
    }
}
