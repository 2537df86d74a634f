//! Quantities: reading "80 MHz" and "4.7 nF +- 5 %", printing with the SI prefix an engineer would choose.
//!
//! A value is stored in the base of its [`Unit`]: Hz, s, V, A, F, ohm, K, deg, 1 (so 2 % is 0.02), decibels as
//! written. Angles in deg; formulas want rad and convert at their border.

mod dimension;
mod parse;
mod print;
mod unit;

pub use dimension::{BASES, Dimension};
pub use parse::{
    Decimal, Quantity, QuantityFault, RangeText, Tolerance, parse, parse_as, parse_number, parse_range,
    parse_with_tolerance,
};
pub use print::{Digits, ascii, print, print_difference, print_fixed, with_signs};
pub(crate) use print::{habit, prefix, shown};
pub use unit::Unit;
