//! What is wrong with a setup file: each finding with its place and its mend, all of them together.

use std::{cell::RefCell, fmt, ops::Range, sync::Arc};

use miette::{Diagnostic, GraphicalReportHandler, GraphicalTheme, NamedSource, SourceSpan};

/// One thing that is wrong.
#[derive(Debug, Clone, thiserror::Error, Diagnostic)]
#[error("{what}")]
pub struct Finding {
    /// What is wrong.
    pub what: String,
    #[source_code]
    file: NamedSource<Arc<str>>,
    #[label("{label}")]
    place: SourceSpan,
    label: String,
    #[help]
    mend: String,
}

/// Everything that is wrong with a file.
#[derive(Clone, Default, thiserror::Error, Diagnostic)]
pub struct Wrong {
    path: String,
    /// In the order of the file.
    #[related]
    pub findings: Vec<Finding>,
}

impl Wrong {
    /// The findings as a person reads them, with or without colour.
    #[must_use]
    pub fn shown(&self, colour: bool) -> String {
        let theme = if colour {
            GraphicalTheme::unicode()
        } else {
            GraphicalTheme::unicode_nocolor()
        };
        let handler = GraphicalReportHandler::new_themed(theme)
            .with_width(100)
            .with_context_lines(1);
        let mut text = String::new();
        if handler.render_report(&mut text, self).is_err() {
            let lines: Vec<String> = self.findings.iter().map(ToString::to_string).collect();
            text = lines.join("\n");
        }
        text
    }
}

impl fmt::Display for Wrong {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        let things = if self.findings.len() == 1 {
            "thing is"
        } else {
            "things are"
        };
        write!(formatter, "{}: {} {things} wrong", self.path, self.findings.len())
    }
}

impl fmt::Debug for Wrong {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str(&self.shown(false))
    }
}

/// Gathers findings while a file is read.
pub(super) struct Findings {
    path: String,
    text: Arc<str>,
    found: RefCell<Vec<Finding>>,
}

impl Findings {
    pub(super) fn new(path: &str, text: &str) -> Self {
        Self {
            path: path.to_owned(),
            text: text.into(),
            found: RefCell::default(),
        }
    }

    /// Notes something wrong at a place: what, a word on the place itself, and what to do.
    pub(super) fn add(
        &self,
        place: &Range<usize>,
        what: impl Into<String>,
        label: impl Into<String>,
        mend: impl Into<String>,
    ) {
        self.found.borrow_mut().push(Finding {
            what: what.into(),
            file: NamedSource::new(&self.path, self.text.clone()),
            place: place.clone().into(),
            label: label.into(),
            mend: mend.into(),
        });
    }

    /// Notes something wrong, where nothing else was found: a part that can't be read has usually said why.
    pub(super) fn add_if_none(&self, place: &Range<usize>, what: &str, label: &str, mend: &str) {
        if self.found.borrow().is_empty() {
            self.add(place, what, label, mend);
        }
    }

    /// All that was found; `None` where nothing was.
    pub(super) fn into_wrong(self) -> Option<Wrong> {
        let mut findings = self.found.into_inner();
        findings.sort_by_key(|finding| finding.place.offset());
        (!findings.is_empty()).then_some(Wrong {
            path: self.path,
            findings,
        })
    }
}
