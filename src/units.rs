//! Physical quantities as newtypes, values with uncertainty, and readings that can be missing.
//!
//! A missing reading is a value with a reason ([`NoReading`]); it is never `0.0` and never NaN.

use serde::{Deserialize, Serialize};
use std::fmt;
use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub};

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $symbol:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(f64);

        impl $name {
            /// Wraps a number given in this unit.
            pub const fn new(value: f64) -> Self {
                Self(value)
            }
            /// The number in this unit.
            pub const fn value(self) -> f64 {
                self.0
            }
            /// Magnitude.
            pub fn abs(self) -> Self {
                Self(self.0.abs())
            }
            /// The smaller of two.
            pub fn min(self, other: Self) -> Self {
                Self(self.0.min(other.0))
            }
            /// The larger of two.
            pub fn max(self, other: Self) -> Self {
                Self(self.0.max(other.0))
            }
        }
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                if let Some(digits) = f.precision() {
                    write!(f, "{:.*} {}", digits, self.0, $symbol)
                } else {
                    write!(f, "{} {}", self.0, $symbol)
                }
            }
        }
        impl Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                Self(self.0 + other.0)
            }
        }
        impl AddAssign for $name {
            fn add_assign(&mut self, other: Self) {
                self.0 += other.0;
            }
        }
        impl Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                Self(self.0 - other.0)
            }
        }
        impl Neg for $name {
            type Output = Self;
            fn neg(self) -> Self {
                Self(-self.0)
            }
        }
        impl Mul<f64> for $name {
            type Output = Self;
            fn mul(self, factor: f64) -> Self {
                Self(self.0 * factor)
            }
        }
        impl Div<f64> for $name {
            type Output = Self;
            fn div(self, divisor: f64) -> Self {
                Self(self.0 / divisor)
            }
        }
        impl Div for $name {
            type Output = f64;
            fn div(self, other: Self) -> f64 {
                self.0 / other.0
            }
        }
        impl std::iter::Sum for $name {
            fn sum<I: Iterator<Item = Self>>(items: I) -> Self {
                Self(items.map(|q| q.0).sum())
            }
        }
    };
}

quantity!(
    /// Electric potential difference in volts.
    Volts, "V"
);
quantity!(
    /// Electric current in amperes.
    Amps, "A"
);
quantity!(
    /// Resistance in ohms.
    Ohms, "Ω"
);
quantity!(
    /// Power in watts.
    Watts, "W"
);
quantity!(
    /// Temperature in degrees Celsius.
    Celsius, "°C"
);

impl Mul<Ohms> for Amps {
    type Output = Volts;
    fn mul(self, r: Ohms) -> Volts {
        Volts(self.0 * r.0)
    }
}
impl Mul<Amps> for Volts {
    type Output = Watts;
    fn mul(self, i: Amps) -> Watts {
        Watts(self.0 * i.0)
    }
}
impl Div<Ohms> for Volts {
    type Output = Amps;
    fn div(self, r: Ohms) -> Amps {
        Amps(self.0 / r.0)
    }
}
impl Div<Amps> for Volts {
    type Output = Ohms;
    fn div(self, i: Amps) -> Ohms {
        Ohms(self.0 / i.0)
    }
}

/// A value with its standard uncertainty and the degrees of freedom of that uncertainty
/// (JCGM 100:2008, 2.3.1 and annex G). `dof` may be infinite.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measured<T> {
    /// Best estimate.
    pub value: T,
    /// Standard uncertainty, same unit as `value`.
    pub standard: T,
    /// Effective degrees of freedom.
    pub dof: f64,
}

/// Why there is no reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum NoReading {
    /// The chip did not acknowledge its address.
    NoAnswer,
    /// The conversion was not ready before its deadline.
    TimedOut,
    /// Something answers at the address, but not as the chip that the build names.
    WrongChip,
    /// The input is beyond the top of the converter's range.
    SaturatedHigh,
    /// The input is beyond the bottom of the converter's range.
    SaturatedLow,
    /// The bus itself failed (stuck line, lost arbitration, driver error).
    BusFault,
    /// The build has no such sense point on this rig.
    NotPresent,
}

impl NoReading {
    /// A short text for the person at the bench.
    pub fn text(self) -> &'static str {
        match self {
            Self::NoAnswer => "the converter does not answer",
            Self::TimedOut => "the converter did not finish in time",
            Self::WrongChip => "something answers at the address, but not as this chip",
            Self::SaturatedHigh => "above the converter's range",
            Self::SaturatedLow => "below the converter's range",
            Self::BusFault => "the bus failed",
            Self::NotPresent => "no such sense point",
        }
    }
}

/// A reading, or the reason why there is none.
pub type Reading<T> = Result<T, NoReading>;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ohms_law_keeps_its_units() {
        assert_eq!(Amps::new(2.0) * Ohms::new(0.5), Volts::new(1.0));
        assert_eq!(Volts::new(1.0) / Ohms::new(0.5), Amps::new(2.0));
        assert_eq!(Volts::new(1.0) / Amps::new(2.0), Ohms::new(0.5));
        assert_eq!(Volts::new(5.0) * Amps::new(2.0), Watts::new(10.0));
    }

    #[test]
    fn display_has_the_unit() {
        assert_eq!(format!("{:.3}", Volts::new(5.0204)), "5.020 V");
        assert_eq!(format!("{:.1}", Celsius::new(-3.0)), "-3.0 °C");
    }
}
