//! What stands on the broker: interned topics, and numbers that become text only where somebody reads them.

use std::borrow::Cow;
use std::sync::Arc;

use crate::settings::{EnclosureIx, ProbeIx};

use super::fault::Switch;

/// Who spoke.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Source {
    /// A probe; of those that share a topic, the first.
    Probe(EnclosureIx, ProbeIx),
    /// An output or a contactor.
    Switch(Switch),
}

/// A message as it would stand on the broker.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Message {
    /// Its topic.
    topic: Arc<str>,
    /// Its payload.
    payload: Payload,
    /// Whether the broker should keep it.
    retained: bool,
    /// Who spoke.
    source: Source,
}

/// A payload, which is text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Payload {
    /// A plain number.
    Number(Thousandths),
    /// Anything else.
    Text(Arc<str>),
}

/// A number of at most three decimals.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Thousandths(i64);

/// Adding this and taking it away again leaves a double without its fraction: 1.5·2⁵², where doubles are whole.
pub(super) const WHOLE: f64 = 6_755_399_441_055_744.0;

/// The nearest whole number, halves to the even one; NaN and what has no fraction stay. Two sums, which cost less than a
/// rounding function where the processor has none.
#[inline]
pub(super) fn nearest(number: f64) -> f64 {
    let near = (number + WHOLE) - WHOLE;
    if number.abs() < 2_251_799_813_685_248.0 { near } else { number }
}

impl Thousandths {
    /// The nearest to `number`, halves to the even one; NaN counts as zero, and beyond what a payload can say is held.
    pub fn of(number: f64) -> Thousandths {
        Thousandths(nearest(number * 1000.0) as i64)
    }

    /// What its text reads as: the double nearest to a quotient of integers is the one nearest to that decimal, as long
    /// as both are below 2⁵³.
    pub fn number(self) -> f64 {
        self.0 as f64 / 1000.0
    }

    /// As a person writes it: no decimals that are zero. Written by hand, since most of what a world says is this.
    pub fn text(self) -> String {
        // The longest is a sign, sixteen digits, a point and three more.
        let mut buffer = [0_u8; 24];
        let mut at = buffer.len();
        let mut put = |byte: u8| {
            at -= 1;
            buffer[at] = byte;
        };
        let (mut whole, rest) = (self.0.unsigned_abs() / 1000, self.0.unsigned_abs() % 1000);
        if rest != 0 {
            let digits = [rest / 100, rest / 10 % 10, rest % 10];
            let many = 3 - digits.iter().rev().take_while(|digit| **digit == 0).count();
            digits[..many].iter().rev().for_each(|digit| put(b'0' + *digit as u8));
            put(b'.');
        }
        loop {
            put(b'0' + (whole % 10) as u8);
            whole /= 10;
            if whole == 0 {
                break;
            }
        }
        if self.0 < 0 {
            put(b'-');
        }
        str::from_utf8(&buffer[at..]).unwrap_or_default().to_owned()
    }
}

impl Message {
    /// A message that nobody is asked to keep.
    pub(super) fn new(topic: &Arc<str>, payload: Payload, source: Source) -> Message {
        Message { topic: Arc::clone(topic), payload, retained: false, source }
    }

    /// The same message, to be kept by the broker.
    pub(super) fn keep(mut self) -> Message {
        self.retained = true;
        self
    }

    /// Its topic.
    pub fn topic(&self) -> &str {
        &self.topic
    }

    /// Its payload, which is text.
    pub fn payload(&self) -> Cow<'_, str> {
        match &self.payload {
            Payload::Number(number) => Cow::Owned(number.text()),
            Payload::Text(text) => Cow::Borrowed(text),
        }
    }

    /// Where the payload is a plain number of a probe: what its text reads as, without the text.
    pub fn number(&self) -> Option<f64> {
        match self.payload {
            Payload::Number(number) => Some(number.number()),
            Payload::Text(_) => None,
        }
    }

    /// Whether the broker should keep it.
    pub fn retained(&self) -> bool {
        self.retained
    }

    /// Who spoke.
    pub fn source(&self) -> Source {
        self.source
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn numbers_are_plain() {
        for (number, expected) in [
            (1.0, "1"),
            (0.25, "0.25"),
            (-0.0001, "0"),
            (-0.06, "-0.06"),
            (255.0, "255"),
            (33.1, "33.1"),
            (-127.0, "-127"),
            (20.05, "20.05"),
            (20.005, "20.005"),
            (-0.5, "-0.5"),
            (100.0, "100"),
            (f64::MAX, "9223372036854775.807"),
            (f64::MIN, "-9223372036854775.808"),
            (f64::NAN, "0"),
        ] {
            assert_eq!(Thousandths::of(number).text(), expected);
        }
    }

    proptest! {
        #[test]
        fn the_nearest_whole_number_is_that(number in prop_oneof![-1e3..1e3_f64, proptest::num::f64::NORMAL]) {
            prop_assert_eq!(nearest(number), number.round_ties_even());
        }

        #[test]
        fn a_number_is_what_its_text_reads_as(number in -1e9..1e9_f64) {
            let number = Thousandths::of(number);
            prop_assert_eq!(number.text().parse::<f64>().expect("a number"), number.number());
        }
    }
}
