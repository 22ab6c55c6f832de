//! Quantities with their units in the type, so that no comment has to say what a number is.
//!
//! All hold an `f64`. Constructors that narrow a range say so; the rest are plain wrappers, and a NaN inside one
//! compares false with everything, so decisions are written to fail safe on it (`!(reading < cut)`).

use std::fmt;
use std::ops::{Add, Neg, Sub};

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $unit:literal, $digits:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
        pub struct $name(pub f64);

        impl $name {
            /// The unit as a person reads it.
            pub const UNIT: &'static str = $unit;

            /// Writes it to its usual digits: what [`Display`](fmt::Display) does, without the way through its machinery.
            #[allow(dead_code, reason = "not every quantity stands in a log")]
            pub(crate) fn write_to(self, to: &mut impl fmt::Write) -> fmt::Result {
                match tenths(self.0) {
                    Some((text, from)) if $digits == 1 => {
                        to.write_str(str::from_utf8(&text[from..]).unwrap_or_default())?;
                        if !Self::UNIT.is_empty() {
                            to.write_str(concat!(" ", $unit))?;
                        }
                        Ok(())
                    }
                    _ => Self::write_digits(self.0, $digits, to),
                }
            }

            fn write_digits(number: f64, digits: usize, to: &mut impl fmt::Write) -> fmt::Result {
                if Self::UNIT.is_empty() {
                    write!(to, "{number:.digits$}")
                } else {
                    write!(to, "{number:.digits$} {}", Self::UNIT)
                }
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                match f.precision() {
                    None => self.write_to(f),
                    Some(digits) => Self::write_digits(self.0, digits, f),
                }
            }
        }
    };
}

/// The text of a number to one decimal, and where in the buffer it begins. None where it is too large for that, no number,
/// or so near to the middle between two that it takes the long way to tell which is nearer. Written by hand, since the
/// log of a rehearsal is full of them.
fn tenths(number: f64) -> Option<([u8; 8], usize)> {
    let scaled = number.abs() * 10.0;
    if !(scaled < 99_999.0) {
        return None;
    }
    let down = scaled as u32;
    let rest = scaled - f64::from(down);
    if (rest - 0.5).abs() <= 1e-6 {
        return None;
    }
    let rounded = down + u32::from(rest > 0.5);
    let (mut text, mut at) = ([0_u8; 8], 8);
    let mut put = |byte: u8| {
        at -= 1;
        text[at] = byte;
    };
    put(b'0' + (rounded % 10) as u8);
    put(b'.');
    let mut whole = rounded / 10;
    loop {
        put(b'0' + (whole % 10) as u8);
        whole /= 10;
        if whole == 0 {
            break;
        }
    }
    if number.is_sign_negative() {
        put(b'-');
    }
    Some((text, at))
}

quantity!(
    /// A temperature on the Celsius scale.
    Celsius, "°C", 1
);
quantity!(
    /// A difference between two temperatures, in kelvin.
    Kelvin, "K", 1
);
quantity!(
    /// A rate of temperature change, in kelvin per second.
    KelvinPerSecond, "K/s", 3
);
quantity!(
    /// A temperature deficit integrated over time, in kelvin-seconds.
    KelvinSeconds, "K·s", 0
);
quantity!(
    /// UV index: erythemally weighted irradiance in W/m² times 40 m²/W (ISO/CIE 17166).
    Uvi, "", 1
);
quantity!(
    /// Electrical or radiant power in watts.
    Watts, "W", 0
);
quantity!(
    /// Electric current in amperes.
    Amperes, "A", 0
);
quantity!(
    /// Mains voltage in volts.
    Volts, "V", 0
);
quantity!(
    /// Illuminance in lux.
    Lux, "lx", 0
);
quantity!(
    /// A share in percent, 0 to 100, as relative humidity is given.
    Percent, "%", 0
);
quantity!(
    /// An angle in degrees of arc; latitudes are north positive, longitudes east positive.
    Degrees, "°", 4
);

impl Sub for Celsius {
    type Output = Kelvin;
    fn sub(self, other: Celsius) -> Kelvin {
        Kelvin(self.0 - other.0)
    }
}

impl Add<Kelvin> for Celsius {
    type Output = Celsius;
    fn add(self, difference: Kelvin) -> Celsius {
        Celsius(self.0 + difference.0)
    }
}

impl Sub<Kelvin> for Celsius {
    type Output = Celsius;
    fn sub(self, difference: Kelvin) -> Celsius {
        Celsius(self.0 - difference.0)
    }
}

impl Neg for Kelvin {
    type Output = Kelvin;
    fn neg(self) -> Kelvin {
        Kelvin(-self.0)
    }
}

impl Celsius {
    /// From degrees Fahrenheit: `(f − 32) · 5/9`.
    pub fn from_fahrenheit(f: f64) -> Celsius {
        Celsius((f - 32.0) * 5.0 / 9.0)
    }
}

impl Degrees {
    /// The same angle in radians.
    pub fn radians(self) -> f64 {
        self.0.to_radians()
    }
}

/// How strongly a lamp is driven: 0 is off, 1 is full. Never outside that range and never NaN.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Level(f64);

impl Level {
    /// Off.
    pub const OFF: Level = Level(0.0);
    /// Fully on.
    pub const FULL: Level = Level(1.0);

    /// The level nearest to `share` in 0..=1; NaN gives [`Level::OFF`].
    pub fn clamped(share: f64) -> Level {
        if share > 0.0 { Level(share.min(1.0)) } else { Level::OFF }
    }

    /// The level as a share, 0..=1.
    pub fn share(self) -> f64 {
        self.0
    }

    /// Whether the lamp is off.
    pub fn is_off(self) -> bool {
        self.0 == 0.0
    }

    /// The lower of two levels.
    pub fn min(self, other: Level) -> Level {
        if other.0 < self.0 { other } else { self }
    }

    /// Whether two levels are the same to a relay or dimmer: both off, or less than one part in two hundred apart.
    pub fn agrees_with(self, other: Level) -> bool {
        self.is_off() == other.is_off() && (self.0 - other.0).abs() < 0.005
    }
}

impl Level {
    /// Writes it as a person reads it.
    pub(crate) fn write_to(self, to: &mut impl fmt::Write) -> fmt::Result {
        if self.is_off() {
            to.write_str("off")
        } else if self.0 == 1.0 {
            to.write_str("on")
        } else {
            write!(to, "{:.0} %", self.0 * 100.0)
        }
    }
}

impl fmt::Display for Level {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.write_to(f)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn levels_stay_between_off_and_full() {
        for (share, expected) in
            [(-1.0, 0.0), (f64::NAN, 0.0), (f64::INFINITY, 1.0), (0.25, 0.25), (7.0, 1.0), (-0.0, 0.0)]
        {
            assert_eq!(Level::clamped(share).share(), expected, "{share}");
        }
        assert!(!Level::clamped(0.001).agrees_with(Level::OFF));
        assert!(Level::clamped(0.5).agrees_with(Level::clamped(0.504)));
    }

    #[test]
    fn fahrenheit_converts_at_the_fixed_points() {
        // Definition of the scales: water freezes at 32 °F and boils at 212 °F; both scales meet at −40.
        for (f, c) in [(32.0, 0.0), (212.0, 100.0), (-40.0, -40.0)] {
            assert!((Celsius::from_fahrenheit(f).0 - c).abs() < 1e-12);
        }
    }

    proptest! {
        #[test]
        fn one_decimal_is_written_as_the_library_writes_it(number in prop_oneof![-200.0..200.0, -1e7..1e7, any::<f64>()]) {
            prop_assert_eq!(Celsius(number).to_string(), format!("{number:.1} °C"));
            let coarse = (number * 16.0).round() / 16.0;
            prop_assert_eq!(Uvi(coarse).to_string(), format!("{coarse:.1}"));
        }
    }
}
