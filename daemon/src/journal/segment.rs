//! Segments: the files of the journal, their names and their first block.
//!
//! `journal/0000000042-0000000000012345.segment` is segment 42, whose first sequence number is
//! 12345; both are in the name as well, so that damage to the first block loses nothing. A file
//! `journal/spare-0000000042` is a finished segment waiting to be used again: already full of
//! bytes, so that writing within it changes no metadata.
//!
//! ```text
//! offset  size  first block (the rest of its 4096 bytes is zeros); little endian
//! 0       8     "pourjrnl"
//! 8       2     format version, 1
//! 10      6     zeros
//! 16      16    book id
//! 32      16    boot id of the run that opened it
//! 48      8     segment number
//! 56      8     first sequence number: frames in earlier segments with this number or a later
//!               one do not count
//! 64      8     when the run began, microseconds since 1970 UTC
//! 72      4     CRC-32C of the 72 bytes above
//! ```

use analysis::time::Micros;
use uuid::Uuid;

use super::error::JournalError;
use super::frame::BLOCK;

/// The folder of the journal in the book.
pub(super) const FOLDER: &str = "journal";
const MAGIC: &[u8; 8] = b"pourjrnl";
/// The format this program writes, and the latest it reads.
const VERSION: u16 = 1;
const SUMMED: usize = 72;

/// A segment as its name tells it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct SegmentName {
    /// Counts up for the life of the book.
    pub(super) number: u64,
    /// Its first sequence number.
    pub(super) first_seq: u64,
}

impl SegmentName {
    pub(super) fn parse(name: &str) -> Option<SegmentName> {
        let (number, first_seq) = name.strip_suffix(".segment")?.split_once('-')?;
        let parsed = SegmentName {
            number: number.parse().ok()?,
            first_seq: first_seq.parse().ok()?,
        };
        // `+1-…` and `1-…` are not names that we give.
        (parsed.file_name() == name).then_some(parsed)
    }

    fn file_name(self) -> String {
        format!("{:010}-{:016}.segment", self.number, self.first_seq)
    }

    pub(super) fn path(self) -> String {
        format!("{FOLDER}/{}", self.file_name())
    }
}

/// The path of a spare.
pub(super) fn spare_path(number: u64) -> String {
    format!("{FOLDER}/spare-{number:010}")
}

/// The first block of a segment.
pub(super) fn header(name: SegmentName, book: Uuid, boot: Uuid, opened: Micros) -> Vec<u8> {
    let mut out = Vec::with_capacity(BLOCK);
    out.extend(MAGIC);
    out.extend(VERSION.to_le_bytes());
    out.extend([0; 6]);
    out.extend(book.as_bytes());
    out.extend(boot.as_bytes());
    out.extend(name.number.to_le_bytes());
    out.extend(name.first_seq.to_le_bytes());
    out.extend(opened.0.to_le_bytes());
    debug_assert_eq!(out.len(), SUMMED);
    out.extend(crc32c::crc32c(&out).to_le_bytes());
    out.resize(BLOCK, 0);
    out
}

/// Looks at a first block. `Ok(false)` when it is damaged, which costs nothing but is told.
///
/// # Errors
/// When it was written by a newer pourbook, or is of another book: to go on would be wrong.
pub(super) fn check_header(
    bytes: &[u8],
    name: SegmentName,
    book: Uuid,
) -> Result<bool, JournalError> {
    let (Some(summed), Some(crc)) = (bytes.get(..SUMMED), bytes.get(SUMMED..SUMMED + 4)) else {
        return Ok(false);
    };
    if crc32c::crc32c(summed).to_le_bytes() != crc || &summed[..8] != MAGIC {
        return Ok(false);
    }
    let version = u16::from_le_bytes([summed[8], summed[9]]);
    if version > VERSION {
        return Err(JournalError::Newer {
            path: name.path(),
            version,
        });
    }
    if &summed[16..32] != book.as_bytes() {
        return Err(JournalError::OtherBook { path: name.path() });
    }
    Ok(summed[48..56] == name.number.to_le_bytes()
        && summed[56..64] == name.first_seq.to_le_bytes())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const NAME: SegmentName = SegmentName {
        number: 42,
        first_seq: 12_345,
    };

    #[test]
    fn names_read_back_and_nothing_else_is_taken_for_one() {
        assert_eq!(NAME.path(), "journal/0000000042-0000000000012345.segment");
        assert_eq!(SegmentName::parse(&NAME.file_name()), Some(NAME));
        for other in ["spare-0000000042", "lock", "42-12345.segment", "x.segment"] {
            assert_eq!(SegmentName::parse(other), None, "{other}");
        }
    }

    #[test]
    fn a_damaged_header_is_told_and_a_strangers_is_refused() {
        let book = Uuid::from_u128(5);
        let block = header(NAME, book, Uuid::nil(), Micros(1));
        assert_eq!(block.len(), BLOCK);
        assert!(check_header(&block, NAME, book).unwrap());
        let mut damaged = block.clone();
        damaged[60] ^= 1;
        assert!(!check_header(&damaged, NAME, book).unwrap());
        assert!(!check_header(&block[..50], NAME, book).unwrap());
        assert!(matches!(
            check_header(&block, NAME, Uuid::from_u128(6)),
            Err(JournalError::OtherBook { .. })
        ));
        let mut newer = block;
        newer[8] = 2;
        let crc = crc32c::crc32c(&newer[..SUMMED]).to_le_bytes();
        newer[SUMMED..SUMMED + 4].copy_from_slice(&crc);
        assert!(matches!(
            check_header(&newer, NAME, book),
            Err(JournalError::Newer { version: 2, .. })
        ));
    }
}
