//! What is written, hashed on its way.

use std::io::{self, Write};

use sha2::{Digest, Sha256};

/// Hashes what passes through.
#[derive(Debug)]
pub struct Hashing<W> {
    out: W,
    hash: Sha256,
}

impl<W: Write> Hashing<W> {
    /// Writes to `out`.
    pub fn new(out: W) -> Self {
        Self { out, hash: Sha256::new() }
    }

    /// What was written to, and the SHA-256 of all that passed.
    pub fn finish(self) -> (W, [u8; 32]) {
        (self.out, self.hash.finalize().into())
    }
}

impl<W: Write> Write for Hashing<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let count = self.out.write(bytes)?;
        self.hash.update(&bytes[..count]);
        Ok(count)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }
}
