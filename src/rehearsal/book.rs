//! What happened, a line each, and a hash over all of it.

use std::collections::VecDeque;
use std::fmt::{self, Write as _};

/// Lines kept for a person; the hash covers all of them.
const KEPT: usize = 4000;
/// Most lines are no longer than this, bytes.
const USUAL: usize = 64;

/// The log of a rehearsal.
#[derive(Clone, Debug)]
pub(super) struct Book {
    hash: u64,
    lines: VecDeque<(u64, String)>,
}

/// FNV-1a, 64 bits (Fowler, Noll and Vo; IETF draft-eastlake-fnv): offset basis and prime.
const BASIS: u64 = 0xcbf2_9ce4_8422_2325;
const PRIME: u64 = 0x0000_0100_0000_01b3;

impl Book {
    /// An empty log.
    pub(super) fn new() -> Book {
        Book { hash: BASIS, lines: VecDeque::new() }
    }

    /// Adds bytes to the hash alone.
    pub(super) fn mix(&mut self, bytes: &[u8]) {
        for byte in bytes {
            self.hash = (self.hash ^ u64::from(*byte)).wrapping_mul(PRIME);
        }
    }

    /// Writes a line, in the room of the oldest one where that is to go.
    pub(super) fn write(&mut self, now: u64, text: fmt::Arguments<'_>) {
        self.write_by(now, |line| line.write_fmt(text));
    }

    /// Writes a line by itself.
    pub(super) fn write_by(&mut self, now: u64, write: impl FnOnce(&mut String) -> fmt::Result) {
        let oldest = if self.lines.len() == KEPT { self.lines.pop_front() } else { None };
        let mut line = oldest.map_or_else(|| String::with_capacity(USUAL), |(_, line)| line);
        line.clear();
        // A string takes whatever is written to it.
        let _ = write(&mut line);
        self.mix(&now.to_le_bytes());
        self.mix(line.as_bytes());
        self.lines.push_back((now, line));
    }

    /// The hash over everything written.
    pub(super) fn hash(&self) -> u64 {
        self.hash
    }

    /// The last lines, with their moments in ms.
    pub(super) fn lines(&self) -> impl DoubleEndedIterator<Item = (u64, &str)> {
        self.lines.iter().map(|(at, line)| (*at, line.as_str()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_hash_is_the_published_one() {
        // Test vectors of the authors' distribution (isthe.com/chongo/tech/comp/fnv): "", "a" and "foobar".
        for (text, expected) in
            [("", 0xcbf2_9ce4_8422_2325), ("a", 0xaf63_dc4c_8601_ec8c), ("foobar", 0x8594_4171_f739_67e8)]
        {
            let mut book = Book::new();
            book.mix(text.as_bytes());
            assert_eq!(book.hash(), expected, "{text:?}");
        }
    }
}
