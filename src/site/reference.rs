//! References as manuals print them: table and number in one, `40001` or `400001`.
//!
//! The first digit names the table (0 coils, 1 discrete inputs, 3 input registers, 4 holding registers), the rest counts
//! from 1. With five digits the numbers go to 9999, with six to 65536. Leading zeros may be left out, so a number up to
//! 9999 is a coil.

use tallywell_witness::declared::Table;

/// Where an entry lies; the table only where the reference names it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Placed {
    pub(super) table: Option<Table>,
    pub(super) address: u16,
}

/// Why a text is no reference.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub(super) enum ReferenceError {
    #[error("`{0}` is not a reference")]
    NotDigits(String),
    #[error("`{0}` begins with {1}, which names no table")]
    NoTable(String, char),
    #[error("`{0}` counts from 0, but references count from 1")]
    FromZero(String),
    #[error("`{0}` is beyond the end of its table")]
    BeyondTable(String),
}

impl ReferenceError {
    /// What to write instead.
    pub(super) fn instead(&self) -> String {
        match self {
            Self::NotDigits(_) => "write five or six digits, e.g. `reference = 40001`, or use `address`".to_owned(),
            Self::NoTable(..) => {
                "the first digit is 0 for coils, 1 discrete inputs, 3 input and 4 holding registers".to_owned()
            }
            Self::FromZero(digits) => {
                let first = digits.trim_end_matches('0');
                let zeros = "0".repeat(digits.len().saturating_sub(first.len() + 1));
                format!("the first of its table is `reference = {first}{zeros}1`")
            }
            Self::BeyondTable(_) => "numbers go from 1 to 65536".to_owned(),
        }
    }
}

/// Reads the digits of a reference.
pub(super) fn parse(digits: &str) -> Result<Placed, ReferenceError> {
    if digits.is_empty() || digits.len() > 6 || !digits.bytes().all(|byte| byte.is_ascii_digit()) {
        return Err(ReferenceError::NotDigits(digits.to_owned()));
    }
    let (table, number) = if digits.len() < 5 { ("0", digits) } else { digits.split_at(1) };
    let table = match table {
        "0" => Table::Coil,
        "1" => Table::Discrete,
        "3" => Table::Input,
        "4" => Table::Holding,
        other => return Err(ReferenceError::NoTable(digits.to_owned(), other.chars().next().unwrap_or('?'))),
    };
    let number: u32 = number.parse().map_err(|_| ReferenceError::NotDigits(digits.to_owned()))?;
    let address = number.checked_sub(1).ok_or_else(|| ReferenceError::FromZero(digits.to_owned()))?;
    let address = u16::try_from(address).map_err(|_| ReferenceError::BeyondTable(digits.to_owned()))?;
    Ok(Placed { table: Some(table), address })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn five_and_six_digits_name_table_and_number() {
        for (digits, table, address) in [
            ("1", Table::Coil, 0),
            ("00001", Table::Coil, 0),
            ("9999", Table::Coil, 9998),
            ("010000", Table::Coil, 9999),
            ("10001", Table::Discrete, 0),
            ("100001", Table::Discrete, 0),
            ("30001", Table::Input, 0),
            ("40001", Table::Holding, 0),
            ("49999", Table::Holding, 9998),
            ("400001", Table::Holding, 0),
            ("465536", Table::Holding, 65_535),
        ] {
            assert_eq!(parse(digits), Ok(Placed { table: Some(table), address }), "{digits}");
        }
    }

    #[test]
    fn what_is_no_reference_says_what_would_be() {
        let said = |digits: &str| parse(digits).map_err(|error| format!("{error}; {}", error.instead()));
        insta::assert_snapshot!(
            ["40000", "400000", "0", "20001", "465537", "4x0001", ""]
                .map(|digits| said(digits).unwrap_err())
                .join("\n"),
            @r"
        `40000` counts from 0, but references count from 1; the first of its table is `reference = 40001`
        `400000` counts from 0, but references count from 1; the first of its table is `reference = 400001`
        `0` counts from 0, but references count from 1; the first of its table is `reference = 1`
        `20001` begins with 2, which names no table; the first digit is 0 for coils, 1 discrete inputs, 3 input and 4 holding registers
        `465537` is beyond the end of its table; numbers go from 1 to 65536
        `4x0001` is not a reference; write five or six digits, e.g. `reference = 40001`, or use `address`
        `` is not a reference; write five or six digits, e.g. `reference = 40001`, or use `address`
        "
        );
    }
}
