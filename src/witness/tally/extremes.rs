//! The larger and the smaller of two numbers in one instruction: the standard library's look at both for not being a number,
//! which is four more, dozens of times a reading.

/// The larger of two; `one`, which has to be a number, where `other` is none.
pub(super) const fn larger(one: f64, other: f64) -> f64 {
    if other > one { other } else { one }
}

/// The smaller of two; `one`, which has to be a number, where `other` is none.
pub(super) const fn smaller(one: f64, other: f64) -> f64 {
    if other < one { other } else { one }
}
