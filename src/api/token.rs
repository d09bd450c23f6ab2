//! Who may ask, once the API listens beyond this machine: bearer tokens (RFC 6750), kept as hashes.

use std::path::Path;

use axum::{
    extract::{Request, State},
    http::{HeaderMap, Method, header},
    middleware::Next,
    response::{IntoResponse, Response},
};
use rand::Rng;
use sha2::{Digest, Sha256};

use super::{problem::Problem, state::App};
use crate::{
    hex::hex,
    secret::{SecretError, private_text},
};

/// What a token allows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, clap::ValueEnum)]
pub enum Scope {
    /// Ask only.
    Read,
    /// Ask, and add notes, phases and marks.
    Write,
}

/// The tokens of a token file.
#[derive(Debug, Clone)]
pub struct Tokens(Vec<(Scope, [u8; 32])>);

/// Why a token file can't be used.
#[derive(Debug, thiserror::Error)]
pub enum TokensError {
    /// It can't be read, or others may read it.
    #[error("the token file can't be used")]
    File(#[from] SecretError),
    /// A line is not what `packdrift token` prints.
    #[error(
        "line {line} of the token file {path} is not “read HASH” or “write HASH” as `packdrift token` prints it"
    )]
    Line {
        /// The file.
        path: String,
        /// The line, from 1.
        line: usize,
    },
}

impl Tokens {
    /// Reads a token file: a line each, scope and hash; empty lines and those that begin with # are passed over.
    ///
    /// # Errors
    /// Where it can't be read, is exposed to others, or has a line that isn't one.
    pub fn load(path: &Path) -> Result<Self, TokensError> {
        let text = private_text(path)?;
        let mut tokens = Vec::new();
        for (index, line) in text.lines().enumerate() {
            let line = line.trim();
            if line.is_empty() || line.starts_with('#') {
                continue;
            }
            let token = read_line(line).ok_or_else(|| TokensError::Line {
                path: path.display().to_string(),
                line: index + 1,
            })?;
            tokens.push(token);
        }
        Ok(Self(tokens))
    }

    /// What a token allows; nothing where it is unknown.
    #[must_use]
    pub fn scope_of(&self, token: &str) -> Option<Scope> {
        let hash: [u8; 32] = Sha256::digest(token).into();
        // Every line is compared whole, so that time tells nothing of where a hash differs.
        self.0
            .iter()
            .filter(|(_, known)| known.iter().zip(&hash).fold(0, |differ, (a, b)| differ | (a ^ b)) == 0)
            .map(|(scope, _)| *scope)
            .max()
    }
}

fn read_line(line: &str) -> Option<(Scope, [u8; 32])> {
    let (scope, hash) = line.split_once(' ')?;
    let scope = match scope {
        "read" => Scope::Read,
        "write" => Scope::Write,
        _ => return None,
    };
    let hash = hash.trim();
    let mut bytes = [0; 32];
    if hash.len() != 64 || !hash.is_ascii() {
        return None;
    }
    for (index, byte) in bytes.iter_mut().enumerate() {
        *byte = u8::from_str_radix(&hash[2 * index..2 * index + 2], 16).ok()?;
    }
    Some((scope, bytes))
}

/// A new token and the line that admits it: (token, line).
#[must_use]
pub fn issue(scope: Scope) -> (String, String) {
    let token = secret();
    let word = match scope {
        Scope::Read => "read",
        Scope::Write => "write",
    };
    let line = format!("{word} {}", hex(&Sha256::digest(&token)));
    (token, line)
}

/// A number that nobody guesses: 192 random bits, in hex.
#[must_use]
pub fn secret() -> String {
    let mut bytes = [0_u8; 24];
    rand::rng().fill_bytes(&mut bytes);
    hex(&bytes)
}

/// The token that a request carries.
#[must_use]
pub fn bearer(headers: &HeaderMap) -> Option<&str> {
    let value = headers.get(header::AUTHORIZATION)?.to_str().ok()?;
    value.strip_prefix("Bearer ").map(str::trim)
}

pub(super) async fn guard(State(app): State<App>, request: Request, next: Next) -> Response {
    let Some(tokens) = app.tokens() else {
        return next.run(request).await;
    };
    let Some(scope) = bearer(request.headers()).and_then(|token| tokens.scope_of(token)) else {
        let mut response = Problem::no_token().into_response();
        response.headers_mut().insert(
            header::WWW_AUTHENTICATE,
            axum::http::HeaderValue::from_static("Bearer"),
        );
        return response;
    };
    let only_asks = matches!(*request.method(), Method::GET | Method::HEAD);
    if scope == Scope::Read && !only_asks {
        return Problem::read_only_token().into_response();
    }
    next.run(request).await
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_issued_token_opens_what_its_line_says() {
        let (token, line) = issue(Scope::Write);
        let tokens = Tokens(vec![read_line(&line).unwrap()]);
        assert_eq!(tokens.scope_of(&token), Some(Scope::Write));
        assert_eq!(tokens.scope_of("something else"), None);
    }

    #[test]
    fn lines_that_are_none_are_refused() {
        for line in [
            "admin 00",
            "read",
            "read zz",
            &format!("read {}é", "0".repeat(62)),
        ] {
            assert_eq!(read_line(line), None, "{line}");
        }
    }
}
