//! Opens a file to be imported: gz and zst are unpacked, a byte order mark is passed over, bytes are counted and
//! digested on the way.

use std::{
    fs::File,
    io::{self, BufRead, BufReader, Read},
    path::Path,
    sync::{
        Arc,
        atomic::{AtomicU64, Ordering},
    },
};

use flate2::bufread::MultiGzDecoder;
use ruzstd::decoding::StreamingDecoder;
use sha2::{Digest, Sha256};

use crate::hex::hex;

/// Bytes read at once.
const PIECE: usize = 1 << 18;

/// The longest row, bytes: with more, something in it was opened and never closed, and the row is the rest of the file.
pub(super) const LONGEST_ROW: usize = 1 << 20;

/// The contents of a file, unpacked.
pub(super) type Contents = Box<dyn BufRead>;

/// Opens a file. `passed` follows how many bytes of it were read, as it is on disk.
pub(super) fn open(path: &Path, passed: &Arc<AtomicU64>) -> io::Result<Contents> {
    let counting = Counting {
        inner: File::open(path)?,
        passed: passed.clone(),
    };
    let mut raw = BufReader::with_capacity(PIECE, counting);
    let head = raw.fill_buf()?;
    let mut contents: Contents = if head.starts_with(&[0x1f, 0x8b]) {
        Box::new(BufReader::with_capacity(PIECE, MultiGzDecoder::new(raw)))
    } else if head.starts_with(&[0x28, 0xb5, 0x2f, 0xfd]) {
        Box::new(BufReader::with_capacity(PIECE, Frames::new(raw)?))
    } else {
        Box::new(raw)
    };
    if contents.fill_buf()?.starts_with("\u{feff}".as_bytes()) {
        contents.consume(3);
    }
    Ok(contents)
}

/// SHA-256 of a file as it is on disk, lower-case hex.
pub(super) fn digest(path: &Path) -> io::Result<String> {
    let mut file = BufReader::with_capacity(PIECE, File::open(path)?);
    let mut hash = Sha256::new();
    loop {
        let piece = file.fill_buf()?;
        if piece.is_empty() {
            return Ok(hex(&hash.finalize()));
        }
        hash.update(piece);
        let length = piece.len();
        file.consume(length);
    }
}

struct Counting {
    inner: File,
    passed: Arc<AtomicU64>,
}

impl Read for Counting {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let length = self.inner.read(into)?;
        self.passed.fetch_add(length as u64, Ordering::Relaxed);
        Ok(length)
    }
}

/// Zstandard frames one after the other (RFC 8878, section 3), as tools write them for long files.
struct Frames<R: BufRead> {
    decoder: Option<StreamingDecoder<R, ruzstd::decoding::FrameDecoder>>,
}

impl<R: BufRead> Frames<R> {
    fn new(raw: R) -> io::Result<Self> {
        let decoder = StreamingDecoder::new(raw).map_err(io::Error::other)?;
        Ok(Self {
            decoder: Some(decoder),
        })
    }
}

impl<R: BufRead> Read for Frames<R> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        loop {
            let Some(decoder) = &mut self.decoder else {
                return Ok(0);
            };
            let length = decoder.read(into)?;
            if length > 0 || into.is_empty() {
                return Ok(length);
            }
            let Some(mut raw) = self.decoder.take().map(StreamingDecoder::into_inner) else {
                return Ok(0);
            };
            if !raw.fill_buf()?.is_empty() {
                self.decoder = Some(StreamingDecoder::new(raw).map_err(io::Error::other)?);
            }
        }
    }
}
