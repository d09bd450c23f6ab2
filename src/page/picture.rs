//! `GET /v1/plots/{name}.svg`: one plot, as a file that can be read by itself. Sent compressed to who takes that:
//! there is nothing secret in it whose length could be told from outside.

use std::io::Write;

use axum::{
    extract::{Path, Query, State, rejection::QueryRejection},
    http::{HeaderMap, HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};
use flate2::{Compression, write::GzEncoder};
use serde::Deserialize;

use super::{
    Page,
    asked::Refused,
    evidence::Question,
    paper::{refusal, style_hash},
    plots::{self, Plot, Size},
};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Wanted {
    bank: Option<String>,
    since: Option<String>,
    until: Option<String>,
    #[serde(default)]
    size: Size,
}

pub(super) async fn plot(
    State(page): State<Page>,
    Path(file): Path<String>,
    asked: HeaderMap,
    wanted: Result<Query<Wanted>, QueryRejection>,
) -> Response {
    let refused = match (file.strip_suffix(".svg").and_then(Plot::of), wanted) {
        (Some(plot), Ok(Query(wanted))) => match drawn(&page, plot, wanted).await {
            Ok(svg) if takes_gzip(&asked) => return squeezed(svg),
            Ok(svg) => return svg.into_response(),
            Err(refused) => refused,
        },
        (None, _) => Refused {
            status: StatusCode::NOT_FOUND,
            title: "No such plot".to_owned(),
            detail: format!(
                "there is: {}",
                Plot::ALL.map(|plot| format!("{}.svg", plot.name())).join(", ")
            ),
        },
        (_, Err(rejection)) => Refused {
            status: StatusCode::BAD_REQUEST,
            title: "The question can’t be read".to_owned(),
            detail: rejection.body_text(),
        },
    };
    refusal(&refused).into_response()
}

/// A plot with the heads of its answer.
type Sheet = ([(header::HeaderName, HeaderValue); 5], String);

async fn drawn(page: &Page, plot: Plot, wanted: Wanted) -> Result<Sheet, Refused> {
    let question = Question {
        bank: wanted.bank,
        since: wanted.since,
        until: wanted.until,
    };
    let (question, evidence) = page.evidence(question.without_blanks()).await?;
    let series = if plot.needs_series() {
        page.series(&question, &evidence).await?
    } else {
        None
    };
    let svg = plot.draw(&evidence, series.as_ref(), wanted.size, true);
    let policy = format!("default-src 'none'; style-src '{}'", style_hash(plots::STYLE));
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static("image/svg+xml")),
        (
            header::CACHE_CONTROL,
            HeaderValue::from_static("private, no-cache"),
        ),
        (header::VARY, HeaderValue::from_static("accept-encoding")),
        (
            header::X_CONTENT_TYPE_OPTIONS,
            HeaderValue::from_static("nosniff"),
        ),
        (
            header::CONTENT_SECURITY_POLICY,
            HeaderValue::from_str(&policy).map_err(|_| Refused::internal())?,
        ),
    ];
    Ok((headers, svg.into_string()))
}

/// Whether a browser takes gzip (RFC 9110, 12.5.3). One that weighs it down to nothing is rare enough to look at
/// for just that.
fn takes_gzip(asked: &HeaderMap) -> bool {
    let offered = asked.get_all(header::ACCEPT_ENCODING).iter();
    let mut offered = offered
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(','));
    offered.any(|one| {
        let (coding, weight) = one.split_once(';').unwrap_or((one, "q=1"));
        coding.trim().eq_ignore_ascii_case("gzip")
            && weight.trim().trim_start_matches("q=").parse() != Ok(0.0)
    })
}

fn squeezed((headers, svg): Sheet) -> Response {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::default());
    match encoder.write_all(svg.as_bytes()).and_then(|()| encoder.finish()) {
        Ok(bytes) => {
            let coding = [(header::CONTENT_ENCODING, HeaderValue::from_static("gzip"))];
            (headers, coding, bytes).into_response()
        }
        // It goes as it is.
        Err(_) => (headers, svg).into_response(),
    }
}
