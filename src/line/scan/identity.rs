//! What a device says of itself when asked in the standard's ways.

use std::collections::BTreeMap;

use super::super::request::{Answer, Diagnostic, ReadRequest};

/// The texts of a device identification, by object number (MODBUS Application Protocol V1.1b3, section 6.21).
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Identification(pub BTreeMap<u8, Vec<u8>>);

/// A device that always says that more follows would be asked for ever.
const MOST_PARTS: usize = 8;

/// The communication counters that can be read (MODBUS Application Protocol V1.1b3, section 6.8.1), under their names.
pub const COUNTERS: [(&str, Diagnostic); 5] = [
    ("bus_messages", Diagnostic::BusMessages),
    ("bus_errors", Diagnostic::BusErrors),
    ("exceptions", Diagnostic::Exceptions),
    ("server_messages", Diagnostic::ServerMessages),
    ("no_responses", Diagnostic::NoResponses),
];

/// All that a device told.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Identity {
    /// Its identification, where it has one.
    pub identification: Option<Identification>,
    /// The bytes of its server identification, where it has one.
    pub server_id: Option<Vec<u8>>,
    /// Its counters by name, where it has them.
    pub counters: Option<BTreeMap<&'static str, u16>>,
}

impl Identity {
    /// What the device says of itself in one line: its identification, or else the text in its server identification.
    #[must_use]
    pub fn in_words(&self) -> Option<String> {
        let objects = self.identification.iter().flat_map(|identification| identification.0.values());
        let texts: Vec<String> = objects.filter_map(|bytes| as_text(bytes)).collect();
        if texts.is_empty() { self.server_id.as_deref().and_then(text_within) } else { Some(texts.join(", ")) }
    }
}

/// Asks for everything, each thing by `ask`, which gives nothing where the device refused or said nothing sound.
///
/// # Errors
/// Whatever `ask` returns.
pub async fn ask_all<Lost>(
    mut ask: impl AsyncFnMut(ReadRequest) -> Result<Option<Answer>, Lost>,
) -> Result<Identity, Lost> {
    let mut identity = Identity { server_id: None, identification: None, counters: None };
    let mut next = Some(0);
    for _ in 0..MOST_PARTS {
        let Some(object) = next.take() else { break };
        if let Some(Answer::Identification { objects, next: more }) = ask(ReadRequest::identification(object)).await? {
            let known = identity.identification.get_or_insert_default();
            known.0.extend(objects);
            next = more.filter(|more| !known.0.contains_key(more));
        }
    }
    identity.identification = identity.identification.filter(|identification| !identification.0.is_empty());
    if let Some(Answer::ServerId(bytes)) = ask(ReadRequest::server_id()).await? {
        identity.server_id = Some(bytes);
    }
    for (name, diagnostic) in COUNTERS {
        match ask(ReadRequest::diagnostic(diagnostic)).await? {
            Some(Answer::Diagnostic(count)) => {
                identity.counters.get_or_insert_default().insert(name, count);
            }
            // Whoever does not have the first has none of them.
            _ if identity.counters.is_none() => break,
            _ => {}
        }
    }
    Ok(identity)
}

/// Bytes as text for people, if they are text: printable, and not empty.
#[must_use]
pub fn as_text(bytes: &[u8]) -> Option<String> {
    let text = std::str::from_utf8(bytes).ok()?.trim_matches(['\0', ' ']);
    (!text.is_empty() && !text.chars().any(char::is_control)).then(|| text.to_owned())
}

/// The text in a server identification: its layout is each device's own, so the longest printable stretch is taken.
#[must_use]
pub fn text_within(bytes: &[u8]) -> Option<String> {
    const SHORTEST: usize = 3;
    bytes
        .split(|byte| !(byte.is_ascii_graphic() || *byte == b' '))
        .max_by_key(|stretch| stretch.len())
        .filter(|stretch| stretch.len() >= SHORTEST)
        .and_then(as_text)
}

/// Bytes as text if they are text, else as hexadecimal digits.
#[must_use]
pub fn readable(bytes: &[u8]) -> String {
    as_text(bytes).unwrap_or_else(|| hexadecimal(bytes))
}

/// Bytes as hexadecimal digits.
#[must_use]
pub fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(mut ask: impl FnMut(ReadRequest) -> Option<Answer>) -> Identity {
        let runtime = tokio::runtime::Builder::new_current_thread().build().expect("a runtime without drivers starts");
        let outcome = runtime.block_on(ask_all(async |request| Ok::<_, std::convert::Infallible>(ask(request))));
        outcome.unwrap_or_else(|never| match never {})
    }

    #[test]
    fn an_identification_in_parts_is_put_together_and_one_without_end_is_not_followed() {
        let identity = told(|request| {
            let part = |object: u8, next| Answer::Identification { objects: vec![(object, vec![b'a' + object])], next };
            (request == ReadRequest::identification(0)).then(|| part(0, Some(2))).or_else(|| {
                // The second part says that the first follows.
                (request == ReadRequest::identification(2)).then(|| part(2, Some(0)))
            })
        });
        let objects = BTreeMap::from([(0, b"a".to_vec()), (2, b"c".to_vec())]);
        assert_eq!(identity, Identity { identification: Some(Identification(objects)), ..Identity::default() });
    }

    #[test]
    fn who_has_no_counters_is_asked_for_one_only() {
        let mut asked = Vec::new();
        let identity = told(|request| {
            asked.push(request.function());
            None
        });
        assert_eq!(identity, Identity::default());
        assert_eq!(asked, [0x2B, 0x11, 0x08]);
    }

    #[test]
    fn only_printable_texts_are_shown_as_texts() {
        assert_eq!(readable(b"V2.11\0"), "V2.11");
        assert_eq!(readable(&[0x1B, b'[', b'2', b'J']), "1B 5B 32 4A");
        assert_eq!(readable(&[0xFF, 0x01]), "FF 01");
        assert_eq!(text_within(b"\x01\xFFKM 7").as_deref(), Some("KM 7"));
        assert_eq!(text_within(b"Meter\xFF").as_deref(), Some("Meter"));
        assert_eq!(text_within(&[0x01, 0xFF, b'a', 0x00]), None);
    }
}
