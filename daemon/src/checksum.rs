//! SHA-256 as the records, reports and trace files write it: lower-case hexadecimal. The
//! journal's own checksums are another matter and stay with it.

use sha2::{Digest, Sha256};

/// The SHA-256 of these bytes, in 64 lower-case hexadecimal digits.
pub fn sha256(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// Lower-case hexadecimal.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against a published value: FIPS 180-4's test value (from memory) for the empty message (NIST
    /// "Cryptographic Standards and Guidelines", SHA-256 example).
    #[test]
    fn the_checksum_is_sha_256() {
        assert_eq!(
            sha256(b""),
            "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
        );
    }
}
