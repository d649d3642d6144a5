//! Frames: how bodies lie in a segment. Knows lengths, checksums and block boundaries, and
//! nothing of what a body means.
//!
//! ```text
//! offset  size  field
//! 0       4     length of the body, little endian, never 0
//! 4       4     CRC-32C of: book id (16), segment number (8), length (4), seq (8), body
//! 8       8     sequence number
//! 16      n     body
//! ```
//! A frame of at most 4096 bytes never crosses a 4096-byte boundary, a longer one starts on such
//! a boundary and nothing follows it in its last block. The rest of a block is zeros; a length of
//! 0, or fewer than 17 bytes left, means "go on at the next block". So a reader can take up the
//! thread at any block, and damage in one block costs no other.
//!
//! The book id and the segment number are in the checksum and not in the frame: a frame left
//! over from a recycled segment's earlier life, or from another book, is no frame here.

use uuid::Uuid;

/// Every commit ends on a multiple of this, so that no block with acknowledged data is ever
/// written again. It is the page of most file systems and flash translation layers.
pub(super) const BLOCK: usize = 4096;
/// Bytes in front of a body.
pub(super) const HEAD: usize = 16;
/// Longest body. Bounds what damage can make a reader look at.
pub(super) const MOST_BODY: usize = 1 << 20;

/// What the checksums of a segment start from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Seed(u32);

impl Seed {
    pub(super) fn new(book: Uuid, segment: u64) -> Seed {
        let crc = crc32c::crc32c(book.as_bytes());
        Seed(crc32c::crc32c_append(crc, &segment.to_le_bytes()))
    }

    fn of(self, len: [u8; 4], seq_and_body: &[u8]) -> u32 {
        crc32c::crc32c_append(crc32c::crc32c_append(self.0, &len), seq_and_body)
    }
}

/// Bytes from `at` to the end of its block.
fn room(at: usize) -> usize {
    BLOCK - at % BLOCK
}

fn next_block(at: usize) -> usize {
    at + room(at)
}

/// Where a body of this length would end if it came at `at`.
pub(super) fn end_after(at: usize, body: usize) -> usize {
    let need = HEAD + body;
    let start = if at.is_multiple_of(BLOCK) || need <= room(at) {
        at
    } else {
        next_block(at)
    };
    let end = start + need;
    if need > BLOCK {
        end.next_multiple_of(BLOCK)
    } else {
        end
    }
}

/// Adds a frame to `out`, which starts on a block boundary.
pub(super) fn push(out: &mut Vec<u8>, seed: Seed, seq: u64, body: &[u8]) {
    let need = HEAD + body.len();
    if !out.len().is_multiple_of(BLOCK) && need > room(out.len()) {
        out.resize(next_block(out.len()), 0);
    }
    let len = (body.len() as u32).to_le_bytes();
    let start = out.len();
    out.extend_from_slice(&len);
    out.extend_from_slice(&[0; 4]);
    out.extend_from_slice(&seq.to_le_bytes());
    out.extend_from_slice(body);
    let crc = seed.of(len, &out[start + 8..]);
    out[start + 4..start + 8].copy_from_slice(&crc.to_le_bytes());
    if need > BLOCK {
        out.resize(out.len().next_multiple_of(BLOCK), 0);
    }
}

/// What a reader meets.
#[derive(Debug, PartialEq)]
pub(super) enum Met<'a> {
    /// A frame whose checksum holds.
    Frame {
        /// Where it starts.
        at: usize,
        /// Its sequence number.
        seq: u64,
        /// What it holds.
        body: &'a [u8],
    },
    /// Bytes that are no frame: never written, torn, damaged or of an earlier life.
    NoFrame {
        /// Where they start; the reader goes on at the next block.
        at: usize,
    },
}

/// Walks over the frames of a segment's bytes from a block boundary on.
pub(super) struct Frames<'a> {
    bytes: &'a [u8],
    seed: Seed,
    at: usize,
}

impl<'a> Frames<'a> {
    pub(super) fn new(bytes: &'a [u8], seed: Seed, from: usize) -> Self {
        Frames {
            bytes,
            seed,
            at: from,
        }
    }

    fn field<const N: usize>(&self, at: usize) -> Option<[u8; N]> {
        self.bytes.get(at..at + N)?.try_into().ok()
    }

    fn frame_here(&self) -> Option<(u64, &'a [u8])> {
        let len = self.field::<4>(self.at)?;
        let crc = u32::from_le_bytes(self.field(self.at + 4)?);
        let seq = u64::from_le_bytes(self.field(self.at + 8)?);
        let n = u32::from_le_bytes(len) as usize;
        if n > MOST_BODY || (HEAD + n > room(self.at) && !self.at.is_multiple_of(BLOCK)) {
            return None;
        }
        let body = self.bytes.get(self.at + HEAD..self.at + HEAD + n)?;
        let covered = self.bytes.get(self.at + 8..self.at + HEAD + n)?;
        (self.seed.of(len, covered) == crc).then_some((seq, body))
    }
}

impl<'a> Iterator for Frames<'a> {
    type Item = Met<'a>;

    fn next(&mut self) -> Option<Met<'a>> {
        loop {
            if self.at >= self.bytes.len() {
                return None;
            }
            if room(self.at) <= HEAD || self.field::<4>(self.at) == Some([0; 4]) {
                self.at = next_block(self.at);
                continue;
            }
            let at = self.at;
            return Some(match self.frame_here() {
                Some((seq, body)) => {
                    let need = HEAD + body.len();
                    self.at += need;
                    if need > BLOCK {
                        self.at = self.at.next_multiple_of(BLOCK);
                    }
                    Met::Frame { at, seq, body }
                }
                None => {
                    self.at = next_block(at);
                    Met::NoFrame { at }
                }
            });
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn seed() -> Seed {
        Seed::new(Uuid::from_u128(1), 7)
    }

    fn read(bytes: &[u8], seed: Seed) -> Vec<(u64, Vec<u8>)> {
        Frames::new(bytes, seed, 0)
            .filter_map(|met| match met {
                Met::Frame { seq, body, .. } => Some((seq, body.to_vec())),
                Met::NoFrame { .. } => None,
            })
            .collect()
    }

    fn bodies() -> impl Strategy<Value = Vec<Vec<u8>>> {
        let body = prop_oneof![
            4 => prop::collection::vec(any::<u8>(), 1..80),
            1 => prop::collection::vec(any::<u8>(), 4000..9000),
        ];
        prop::collection::vec(body, 1..120)
    }

    /// RFC 3720 (iSCSI), appendix B.4 (from memory): CRC-32C of 32 bytes of zeros and of
    /// 32 bytes of ones.
    #[test]
    fn the_checksum_is_the_one_of_rfc_3720() {
        assert_eq!(crc32c::crc32c(&[0; 32]), 0x8a91_36aa);
        assert_eq!(crc32c::crc32c(&[0xff; 32]), 0x62a8_ab43);
    }

    proptest! {
        #[test]
        fn what_is_pushed_reads_back_and_ends_where_it_was_reckoned(bodies in bodies()) {
            let mut out = Vec::new();
            for (seq, body) in bodies.iter().enumerate() {
                let reckoned = end_after(out.len(), body.len());
                push(&mut out, seed(), seq as u64, body);
                prop_assert_eq!(out.len(), reckoned);
            }
            let expected: Vec<_> = bodies.into_iter().enumerate().map(|(n, b)| (n as u64, b)).collect();
            prop_assert_eq!(read(&out, seed()), expected);
            prop_assert!(read(&out, Seed::new(Uuid::from_u128(1), 8)).is_empty(), "an earlier life");
            prop_assert!(read(&out, Seed::new(Uuid::from_u128(2), 7)).is_empty(), "another book");
        }

        #[test]
        fn damage_costs_only_the_frames_it_touches_and_their_block(
            bodies in bodies(), at in any::<prop::sample::Index>(), mask in 1u8..,
        ) {
            let mut out = Vec::new();
            let mut spans = Vec::new();
            for (seq, body) in bodies.iter().enumerate() {
                push(&mut out, seed(), seq as u64, body);
                spans.push(end_after(0, 0).max(out.len() - HEAD - body.len())..out.len());
            }
            let hit = at.index(out.len());
            out[hit] ^= mask;
            let left: Vec<u64> = read(&out, seed()).iter().map(|(seq, _)| *seq).collect();
            prop_assert!(left.is_sorted());
            for (seq, body) in bodies.iter().enumerate() {
                let first = spans[seq].end.saturating_sub(1) / BLOCK;
                let long = HEAD + body.len() > BLOCK;
                if !long && first != hit / BLOCK {
                    prop_assert!(left.contains(&(seq as u64)), "frame {} is whole", seq);
                }
            }
        }

        #[test]
        fn no_bytes_make_the_reader_stumble(bytes in prop::collection::vec(any::<u8>(), 0..20_000)) {
            prop_assert!(read(&bytes, seed()).is_empty());
        }
    }
}
