//! Bytes to chunks of whole lines: digest, decompression, encoding; never the whole file.

use std::io::Read;

use flate2::read::MultiGzDecoder;
use sha2::{Digest, Sha256};

use super::InputFile;
use super::error::IngestError;

/// Bytes read at once.
const CHUNK: usize = 1 << 20;
/// Longest line that is accepted.
pub(super) const LINE_MAX: usize = 1 << 20;
/// Bytes of the beginning from which the dialect is found.
pub(super) const HEAD: usize = 1 << 16;

/// First bytes that are looked at for what a file is.
const MAGIC: usize = 6;
/// First bytes of files that hold no text (from memory of their specifications).
const NO_TEXT: &[(&[u8], &str)] = &[
    (b"PK\x03\x04", "a zip archive or a workbook"),
    (b"\xd0\xcf\x11\xe0", "a workbook of the old binary form"),
    (b"%PDF", "a PDF document"),
    (b"\xfd7zXZ\x00", "an archive packed with xz"),
    (b"BZh", "an archive packed with bzip2"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (b"\x28\xb5\x2f\xfd", "an archive packed with zstd"),
    (b"PAR1", "a Parquet file"),
];

/// How characters are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Encoding {
    Utf8,
    Utf16Le,
    Utf16Be,
    Latin1,
}

/// A file as a stream of chunks of whole lines in UTF-8 (or Latin-1 characters turned into it).
pub(super) struct Source<'r> {
    file: String,
    reader: Reader<'r>,
    encoding: Encoding,
    with_mark: bool,
    compressed: bool,
    /// Old line ends: CR alone.
    lone_cr: bool,
    /// Raw bytes that wait for their other half.
    raw: Vec<u8>,
    /// Text after the last line end.
    rest: Vec<u8>,
    /// First chunk, read for the dialect and not yet given out.
    first: Option<Vec<u8>>,
    lines_before: u64,
    ended: bool,
}

enum Reader<'r> {
    Plain(Digesting<'r>),
    Gzip(Box<MultiGzDecoder<Digesting<'r>>>),
    /// Only while the one is turned into the other.
    Moving,
}

/// A reader that digests what passes, with a few bytes put back in front.
struct Digesting<'r> {
    inner: &'r mut dyn Read,
    front: Vec<u8>,
    sha: Sha256,
    bytes: u64,
}

impl Read for Digesting<'_> {
    fn read(&mut self, out: &mut [u8]) -> std::io::Result<usize> {
        if !self.front.is_empty() {
            let n = self.front.len().min(out.len());
            out[..n].copy_from_slice(&self.front[..n]);
            self.front.drain(..n);
            return Ok(n);
        }
        let n = self.inner.read(out)?;
        self.sha.update(&out[..n]);
        self.bytes += n as u64;
        Ok(n)
    }
}

impl Read for Reader<'_> {
    fn read(&mut self, out: &mut [u8]) -> std::io::Result<usize> {
        match self {
            Self::Plain(r) => r.read(out),
            Self::Gzip(r) => r.read(out),
            Self::Moving => Ok(0),
        }
    }
}

impl<'r> Source<'r> {
    /// Opens a stream: looks at its first bytes for compression and encoding.
    ///
    /// # Errors
    /// Unreadable, empty, no text, or a forced encoding that is not known.
    pub(super) fn open(
        inner: &'r mut dyn Read,
        file: &str,
        forced: Option<&str>,
    ) -> Result<Self, IngestError> {
        let mut digesting = Digesting {
            inner,
            front: Vec::new(),
            sha: Sha256::new(),
            bytes: 0,
        };
        let io = |source| IngestError::Io {
            file: file.into(),
            source,
        };
        let mut magic = Vec::new();
        (&mut digesting)
            .take(MAGIC as u64)
            .read_to_end(&mut magic)
            .map_err(io)?;
        let compressed = magic.starts_with(&[0x1f, 0x8b]);
        if let Some((_, kind)) = NO_TEXT.iter().find(|(first, _)| magic.starts_with(first)) {
            return Err(IngestError::NoText {
                file: file.into(),
                kind,
            });
        }
        digesting.front = magic;
        let reader = if compressed {
            Reader::Gzip(Box::new(MultiGzDecoder::new(digesting)))
        } else {
            Reader::Plain(digesting)
        };
        let mut source = Self {
            file: file.into(),
            reader,
            encoding: Encoding::Utf8,
            with_mark: false,
            compressed,
            lone_cr: false,
            raw: Vec::new(),
            rest: Vec::new(),
            first: None,
            lines_before: 0,
            ended: false,
        };
        source.begin(forced)?;
        Ok(source)
    }

    /// Reads the first chunk and finds the encoding.
    fn begin(&mut self, forced: Option<&str>) -> Result<(), IngestError> {
        let mut raw = Vec::new();
        self.read_into(&mut raw)?;
        if raw.is_empty() {
            return Err(IngestError::Empty {
                file: self.file.clone(),
            });
        }
        let head = &raw[..raw.len().min(HEAD)];
        let (encoding, mark) = find_encoding(head, forced);
        self.encoding = encoding;
        self.with_mark = mark > 0;
        self.raw = raw[mark..].to_vec();
        let text = self.decode(Vec::new());
        let head = &text[..text.len().min(HEAD)];
        self.lone_cr =
            memchr::memchr(b'\r', head).is_some() && memchr::memchr(b'\n', head).is_none();
        if text.iter().all(u8::is_ascii_whitespace) && self.ended {
            return Err(IngestError::Empty {
                file: self.file.clone(),
            });
        }
        self.rest = text;
        if self.lone_cr {
            self.rest
                .iter_mut()
                .filter(|b| **b == b'\r')
                .for_each(|b| *b = b'\n');
        }
        self.first = self.cut()?;
        Ok(())
    }

    /// The beginning of the text, whole lines.
    pub(super) fn head(&self) -> &[u8] {
        let first = self.first.as_deref().unwrap_or_default();
        if first.len() <= HEAD {
            return first;
        }
        // At least a few lines, however long they are: a header alone tells nothing.
        let few = memchr::memchr_iter(b'\n', first).take(8).last();
        let end = memchr::memrchr(b'\n', &first[..HEAD]).max(few);
        &first[..end.map_or(first.len(), |e| e + 1)]
    }

    /// Encoding and compression in words.
    pub(super) fn encoding(&self) -> String {
        let mut words = match self.encoding {
            Encoding::Utf8 => "UTF-8",
            Encoding::Utf16Le => "UTF-16, little-endian",
            Encoding::Utf16Be => "UTF-16, big-endian",
            Encoding::Latin1 => "Latin-1",
        }
        .to_owned();
        if self.with_mark {
            words += " with mark";
        }
        if self.compressed {
            words += ", gzip";
        }
        words
    }

    /// The next chunk of whole lines; `None` at the end.
    ///
    /// # Errors
    /// Unreadable bytes, a NUL byte, a line without end.
    pub(super) fn next(&mut self) -> Result<Option<Vec<u8>>, IngestError> {
        if let Some(first) = self.first.take() {
            return Ok(Some(first));
        }
        while !self.ended {
            if self.encoding == Encoding::Utf8 {
                // Nothing to turn into anything else: read behind what is left.
                let mut rest = std::mem::take(&mut self.rest);
                self.read_into(&mut rest)?;
                self.rest = rest;
            } else {
                let mut raw = std::mem::take(&mut self.raw);
                self.read_into(&mut raw)?;
                self.raw = raw;
                let rest = std::mem::take(&mut self.rest);
                self.rest = self.decode(rest);
            }
            if self.lone_cr {
                self.rest
                    .iter_mut()
                    .filter(|b| **b == b'\r')
                    .for_each(|b| *b = b'\n');
            }
            if let Some(chunk) = self.cut()? {
                return Ok(Some(chunk));
            }
        }
        Ok(None)
    }

    /// True when everything was given out but the chunks in hand.
    pub(super) fn is_at_end(&self) -> bool {
        self.ended
    }

    /// Size and digest; reads what a decompressor left over.
    ///
    /// # Errors
    /// Unreadable bytes.
    pub(super) fn finish(mut self, role: &str) -> Result<InputFile, IngestError> {
        let mut digesting = match std::mem::replace(&mut self.reader, Reader::Moving) {
            Reader::Plain(d) => d,
            Reader::Gzip(d) => d.into_inner(),
            Reader::Moving => {
                return Err(IngestError::Empty { file: self.file });
            }
        };
        std::io::copy(&mut digesting, &mut std::io::sink()).map_err(|source| IngestError::Io {
            file: self.file.clone(),
            source,
        })?;
        Ok(InputFile {
            role: role.into(),
            name: self.file,
            bytes: digesting.bytes,
            sha256: hex(&digesting.sha.finalize()),
        })
    }

    /// Appends up to a chunk of raw bytes; fewer only at the end.
    fn read_into(&mut self, to: &mut Vec<u8>) -> Result<(), IngestError> {
        to.reserve_exact(CHUNK);
        let read = (&mut self.reader).take(CHUNK as u64).read_to_end(to);
        let read = read.map_err(|source| IngestError::Io {
            file: self.file.clone(),
            source,
        })?;
        self.ended = read < CHUNK;
        Ok(())
    }

    /// Appends what waits in `raw` to `text`, as UTF-8.
    fn decode(&mut self, mut text: Vec<u8>) -> Vec<u8> {
        match self.encoding {
            Encoding::Utf8 => {
                if text.is_empty() {
                    text = std::mem::take(&mut self.raw);
                } else {
                    text.append(&mut self.raw);
                }
            }
            Encoding::Latin1 => {
                let mut utf8 = [0; 4];
                for byte in self.raw.drain(..) {
                    text.extend_from_slice(char::from(byte).encode_utf8(&mut utf8).as_bytes());
                }
            }
            Encoding::Utf16Le | Encoding::Utf16Be => self.decode_utf16(&mut text),
        }
        text
    }

    fn decode_utf16(&mut self, text: &mut Vec<u8>) {
        let big = self.encoding == Encoding::Utf16Be;
        let unit = |pair: &[u8]| {
            if big {
                u16::from_be_bytes([pair[0], pair[1]])
            } else {
                u16::from_le_bytes([pair[0], pair[1]])
            }
        };
        let mut end = self.raw.len() / 2 * 2;
        // A surrogate pair that the chunk cut in two waits for its other half.
        if !self.ended && end >= 2 && (0xd800..0xdc00).contains(&unit(&self.raw[end - 2..end])) {
            end -= 2;
        }
        let mut utf8 = [0; 4];
        for c in char::decode_utf16(self.raw[..end].chunks_exact(2).map(unit)) {
            let c = c.unwrap_or(char::REPLACEMENT_CHARACTER);
            text.extend_from_slice(c.encode_utf8(&mut utf8).as_bytes());
        }
        self.raw.drain(..end);
    }

    /// Takes the whole lines out of `rest`; at the end of the file everything.
    fn cut(&mut self) -> Result<Option<Vec<u8>>, IngestError> {
        if let Some(at) = memchr::memchr(0, &self.rest) {
            return Err(IngestError::Nul {
                file: self.file.clone(),
                line: self.lines_before + count_lines(&self.rest[..at]) + 1,
            });
        }
        let end = match memchr::memrchr(b'\n', &self.rest) {
            _ if self.ended => self.rest.len(),
            Some(at) => at + 1,
            None => 0,
        };
        let longest = self.rest.len() - memchr::memrchr(b'\n', &self.rest).map_or(0, |at| at + 1);
        if longest > LINE_MAX {
            return Err(IngestError::LongLine {
                file: self.file.clone(),
                line: self.lines_before + count_lines(&self.rest) + 1,
                most: LINE_MAX,
            });
        }
        if end == 0 {
            return Ok(None);
        }
        let tail = self.rest.split_off(end);
        let chunk = std::mem::replace(&mut self.rest, tail);
        self.lines_before += count_lines(&chunk);
        Ok(Some(chunk))
    }
}

fn count_lines(text: &[u8]) -> u64 {
    memchr::memchr_iter(b'\n', text).count() as u64
}

/// Encoding by mark, by the pattern of zero bytes, by validity; and the length of the mark.
fn find_encoding(head: &[u8], forced: Option<&str>) -> (Encoding, usize) {
    let found = match head {
        [0xef, 0xbb, 0xbf, ..] => (Encoding::Utf8, 3),
        [0xff, 0xfe, ..] => (Encoding::Utf16Le, 2),
        [0xfe, 0xff, ..] => (Encoding::Utf16Be, 2),
        _ => (without_mark(head), 0),
    };
    match forced {
        Some("utf-8") => (
            Encoding::Utf8,
            if found.0 == Encoding::Utf8 {
                found.1
            } else {
                0
            },
        ),
        Some("latin-1") => (Encoding::Latin1, 0),
        Some("utf-16") if !matches!(found.0, Encoding::Utf16Le | Encoding::Utf16Be) => {
            (Encoding::Utf16Le, 0)
        }
        _ => found,
    }
}

fn without_mark(head: &[u8]) -> Encoding {
    let zeros = |from: usize| {
        head.iter()
            .skip(from)
            .step_by(2)
            .filter(|b| **b == 0)
            .count()
    };
    let (even, odd) = (zeros(0), zeros(1));
    // Digits and separators have a zero byte each in UTF-16; other text has none.
    if head.len() >= 4 && odd * 5 > head.len() * 2 && even * 20 < head.len() {
        return Encoding::Utf16Le;
    }
    if head.len() >= 4 && even * 5 > head.len() * 2 && odd * 20 < head.len() {
        return Encoding::Utf16Be;
    }
    match std::str::from_utf8(head) {
        Ok(_) => Encoding::Utf8,
        // The head may end within a character.
        Err(e) if e.error_len().is_none() => Encoding::Utf8,
        Err(_) => Encoding::Latin1,
    }
}

/// Text for names and messages: UTF-8, or Latin-1 where it is none, with blanks of every width made plain ones.
pub(super) fn to_text(bytes: &[u8]) -> String {
    match std::str::from_utf8(bytes) {
        Ok(text) => plain_blanks(text),
        Err(_) => plain_blanks(&bytes.iter().map(|b| char::from(*b)).collect::<String>()),
    }
}

/// Blanks that look like plain ones made plain ones.
pub(super) fn plain_blanks(text: &str) -> String {
    text.replace(['\u{a0}', '\u{202f}', '\u{2009}'], " ")
}

/// Lower-case hexadecimal.
pub(super) fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, b| {
        use std::fmt::Write as _;
        // Writing into a text cannot fail.
        let _ = write!(text, "{b:02x}");
        text
    })
}
