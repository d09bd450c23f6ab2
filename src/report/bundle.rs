//! The bundle: what a report rests on, each file with its checksum, and a description that programs read.

use std::io::{Seek, Write};

use rusqlite::Connection;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use zip::{CompressionMethod, ZipWriter, result::ZipError, write::SimpleFileOptions};

use super::{Report, csv, document, setup};
use crate::{api::field, exchange::export::ExportError, hex::hex, page::words::rfc3339, reading::Channel};

/// Why a bundle could not be written.
#[derive(Debug, thiserror::Error)]
pub enum BundleError {
    /// The readings can't be written.
    #[error(transparent)]
    Readings(#[from] ExportError),
    /// The archive can't be written.
    #[error("the archive can't be written")]
    Archive(#[from] ZipError),
    /// A file in it can't be written.
    #[error("a file of the archive can't be written")]
    Write(#[from] std::io::Error),
}

/// Writes the bundle of a report: the report itself, readings, hours, notes, set-up, description, checksums.
///
/// # Errors
/// Where the store can't be read or the archive can't be written.
pub fn bundle(
    report: &Report<'_>,
    connection: &Connection,
    stretch_ms: (i64, i64),
    into: impl Write + Seek + Send,
) -> Result<(), BundleError> {
    let mut archive = ZipWriter::new(into);
    archive.start_file("readings.csv", options())?;
    csv::readings(
        connection,
        report.setup,
        report.bank,
        report.names,
        stretch_ms,
        &mut archive,
    )?;
    let mut sums = vec![("readings.csv", report.readings.sha256.clone())];
    let mut put = |name, contents: &[u8]| -> Result<(), BundleError> {
        archive.start_file(name, options())?;
        archive.write_all(contents)?;
        sums.push((name, hex(&Sha256::digest(contents))));
        Ok(())
    };
    put("report.html", document::html(report).as_bytes())?;
    put("hours.csv", &report.hours)?;
    put("notes.csv", csv::notes(report.evidence).as_bytes())?;
    put(
        "setup.json",
        format!("{:#}\n", setup::document(report)).as_bytes(),
    )?;
    let described = format!("{:#}\n", description(report, &sums));
    sums.push(("description.jsonld", hex(&Sha256::digest(&described))));
    let lines: Vec<_> = sums
        .iter()
        .map(|(name, sha256)| format!("{sha256}  {name}\n"))
        .collect();
    for (name, contents) in [("description.jsonld", described), ("SHA256SUMS", lines.concat())] {
        archive.start_file(name, options())?;
        archive.write_all(contents.as_bytes())?;
    }
    archive.finish()?;
    Ok(())
}

/// The same bytes for the same contents: no dates, no owners.
fn options() -> SimpleFileOptions {
    SimpleFileOptions::default()
        .compression_method(CompressionMethod::Deflated)
        .last_modified_time(zip::DateTime::default())
        .large_file(true)
}

/// A description in the words of schema.org's Dataset, with what the metadata schema of `DataCite` (4.5) demands: an
/// identifier, creator, title, publisher, year of publication and kind of resource. Whoever
/// publishes it puts an identifier, a publisher and a licence of their own in.
fn description(report: &Report<'_>, files: &[(&str, String)]) -> Value {
    let drift = &report.evidence.drift;
    let stretch = drift.since.zip(drift.until);
    let measured: Vec<_> = Channel::ALL
        .into_iter()
        .map(|channel| json!({"@type": "PropertyValue", "name": field(channel)}))
        .collect();
    let distribution: Vec<_> = files
        .iter()
        .map(|(name, sha256)| {
            let kind = match name.rsplit_once('.') {
                Some((_, "csv")) => "text/csv",
                Some((_, "html")) => "text/html",
                _ => "application/json",
            };
            json!({"@type": "DataDownload", "contentUrl": name, "encodingFormat": kind, "sha256": sha256})
        })
        .collect();
    json!({
        "@context": "https://schema.org/",
        "@type": "Dataset",
        "additionalType": "Dataset",
        "identifier": format!("urn:sha256:{}", report.readings.sha256),
        "name": format!("Charge counts of the battery bank {}", drift.bank),
        "description": "Readings of the management boards of battery packs in parallel and of a reference, \
                        with full charges, phases and notes, logged to tell how far each board's count drifts.",
        "dateCreated": rfc3339(report.written_ms),
        "datePublished": &rfc3339(report.written_ms)[..10],
        // `DataCite`'s word for what is not known (appendix 3, as remembered).
        "publisher": {"@type": "Organization", "name": ":unav"},
        "inLanguage": "en",
        "temporalCoverage": stretch.map(|(since, until)| format!("{}/{}", rfc3339(since.ms), rfc3339(until.ms))),
        "measurementTechnique": "coulomb counting, compared from full charge to full charge",
        "variableMeasured": measured,
        "creator": {"@type": "SoftwareApplication", "name": "packdrift", "softwareVersion": env!("CARGO_PKG_VERSION")},
        "distribution": distribution,
    })
}
