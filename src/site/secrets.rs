//! What a file holds that must not be shown: passwords, written where they do not belong.
//!
//! Whoever writes one into a site file gets an error about it, and errors show the line. They go to terminals, to the
//! log of a daemon that reloads, and into mails for help; so a line is shown with its secrets covered. This is done on
//! the text, not on what was parsed, because a line that cannot be parsed is shown just as well.

use std::ops::Range;

use super::keys;

/// The text with every secret covered, each character by one as long, so that places in the one are places in the other.
pub(super) fn covered(text: &str) -> String {
    let mut covered = String::with_capacity(text.len());
    let mut in_broker = false;
    for line in text.split_inclusive('\n') {
        let trimmed = line.trim_start();
        if trimmed.starts_with('[') {
            in_broker = is_of_broker(trimmed.trim_start_matches(['[', ' ', '\t']));
        }
        if line.len() > LONGEST_LINE {
            covered.extend(line.chars().map(|character| if character == '\n' { character } else { cover(character) }));
            continue;
        }
        let mut secrets = of_keys(line, in_broker || is_of_broker(trimmed));
        secrets.extend(of_urls(line));
        covered.extend(line.char_indices().map(|(index, character)| {
            let is_secret = secrets.iter().any(|secret| secret.contains(&index));
            if is_secret { cover(character) } else { character }
        }));
    }
    covered
}

/// Bytes: a longer line nobody wrote, and it is not searched but covered as a whole.
const LONGEST_LINE: usize = 4096;

/// A character of as many bytes.
const fn cover(character: char) -> char {
    match character.len_utf8() {
        1 => '*',
        2 => '×',
        3 => '∗',
        _ => '𝄪',
    }
}

fn is_of_broker(written: &str) -> bool {
    let name = written.trim_start_matches(['"', '\'']);
    name.strip_prefix("broker")
        .is_some_and(|rest| !rest.starts_with(|next: char| next.is_alphanumeric() || next == '_'))
}

/// Values of keys that say that they hold a secret, and of keys of the broker that nobody knows: a misspelt one may.
fn of_keys(line: &str, in_broker: bool) -> Vec<Range<usize>> {
    let mut secrets = Vec::new();
    let mut from = 0;
    while let Some(sign) = line[from..].find('=').map(|index| from + index) {
        let key = line[..sign].trim_end().trim_end_matches(['"', '\'']);
        let key = key.rsplit(|next: char| !next.is_alphanumeric() && next != '_' && next != '-').next().unwrap_or(key);
        let value = value(line, sign + 1);
        if is_secret(key) || in_broker && key != "broker" && keys::BROKER.iter().all(|known| known.name != key) {
            secrets.push(value.clone());
        } else if key == "url" || key == "port" {
            secrets.extend(user_information(line, value.clone()));
        }
        let is_text = line[sign + 1..].trim_start().starts_with(['"', '\'']);
        from = if is_text { value.end } else { sign + 1 };
    }
    secrets
}

fn is_secret(key: &str) -> bool {
    let key = key.to_lowercase();
    !key.ends_with("file") && ["pass", "pwd", "secret", "token"].iter().any(|word| key.contains(word))
}

/// What stands before the host of anything that looks like a URL.
fn of_urls(line: &str) -> impl Iterator<Item = Range<usize>> {
    line.match_indices("://").filter_map(|(index, sign)| {
        let begin = index + sign.len();
        let text = [text_end(line, begin, '"'), text_end(line, begin, '\'')].into_iter().flatten().min();
        user_information(line, begin..text.unwrap_or(line.trim_end().len()))
    })
}

/// The password in `user:password@host`; all before the sign where nothing divides it.
fn user_information(line: &str, url: Range<usize>) -> Option<Range<usize>> {
    let url_text = &line[url.clone()];
    let end = url_text.rfind('@')?;
    let begin = url_text[..end].find("://").map_or(0, |index| index + "://".len());
    let begin = url_text[begin..end].find(':').map_or(begin, |index| begin + index + 1);
    Some(url.start + begin..url.start + end)
}

/// A value without its quotes. One that does not end properly goes on to the end of its line.
fn value(line: &str, after_sign: usize) -> Range<usize> {
    let begin = line.len() - line[after_sign..].trim_start().len();
    let whole = begin..line.trim_end().len().max(begin);
    match line[begin..].chars().next() {
        Some(quote @ ('"' | '\'')) => {
            let begin = begin + 1;
            begin..text_end(line, begin, quote).unwrap_or(whole.end).max(begin)
        }
        _ => whole,
    }
}

/// Where the quote stands that ends a text: behind it is nothing but what may follow a value.
fn text_end(line: &str, begin: usize, quote: char) -> Option<usize> {
    line[begin..].match_indices(quote).map(|(index, _)| begin + index).find(|index| {
        let is_escaped =
            quote == '"' && line[begin..*index].bytes().rev().take_while(|byte| *byte == b'\\').count() % 2 == 1;
        let rest = line[index + 1..].trim_start();
        !is_escaped && (rest.is_empty() || rest.starts_with([',', ']', '}', '#']))
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn what_is_secret_is_covered_and_nothing_else() {
        for (written, shown) in [
            (r#"url = "mqtt://kestrel:geheim@h:1883""#, r#"url = "mqtt://kestrel:******@h:1883""#),
            (
                r#"url = "mqtt://kestrel:ge@he:im@h:1883" # ask bob@h"#,
                r#"url = "mqtt://kestrel:********@h:1883" # ask bob@h"#,
            ),
            (r#"url = "mqtt://kestrel:ge"heim@h:1883""#, r#"url = "mqtt://kestrel:*******@h:1883""#),
            (r#"url = "mqtt://kestrel:geheim@h:1883"#, r#"url = "mqtt://kestrel:******@h:1883"#),
            ("url = mqtt://kestrel:geheim@h:1883", "url = mqtt://kestrel:******@h:1883"),
            ("url = 'kestrel:gehéim@h:1883'", "url = 'kestrel:***×**@h:1883'"),
            (r#"url = "mqtt://geheim@h""#, r#"url = "mqtt://******@h""#),
            (r#"port = "rtu+tcp://me:geheim@h:4001""#, r#"port = "rtu+tcp://me:******@h:4001""#),
            (r#"run = ["tell", "https://me:geheim@h/x", "a@b"]"#, r#"run = ["tell", "https://me:******@h/x", "a@b"]"#),
            (r#"  "Password" = "geheim" # or"#, r#"  "Password" = "******" # or"#),
            (r"mqtt_pass='ge\'", r"mqtt_pass='***'"),
            (r#"password = "ge\"heim", user = "kestrel""#, r#"password = "********", user = "kestrel""#),
            ("password = geheim", "password = ******"),
            (r#"password = "geheim"#, r#"password = "******"#),
            (
                r#"broker = { url = "mqtt://h:1", passwrd = "geheim", user = "k" }"#,
                r#"broker = { url = "mqtt://h:1", passwrd = "******", user = "k" }"#,
            ),
            (r#"broker.credential = "geheim""#, r#"broker.credential = "******""#),
            (
                "[broker]\nuser = \"k\"\nkey = \"geheim\"\n[page]\nkey = \"k\"",
                "[broker]\nuser = \"k\"\nkey = \"******\"\n[page]\nkey = \"k\"",
            ),
            (r#"password_file = "broker.password""#, r#"password_file = "broker.password""#),
            (r#"site = "a=b @ c://d" # me@h"#, r#"site = "a=b @ c://d" # me@h"#),
            (r#"port = "tcp://192.0.2.10:502" # ask me@h"#, r#"port = "tcp://192.0.2.10:502" # ask me@h"#),
            (r#"topic = "a=b""#, r#"topic = "a=b""#),
        ] {
            assert_eq!(covered(written), shown, "{written}");
        }
    }

    proptest! {
        #[test]
        fn places_stay_places(text in "([a-z é𝄪\"'=:@/\\\\\n#\\[]|://|password|broker|url){0,40}") {
            let shown = covered(&text);
            let bytes = |text: &str| text.char_indices().map(|(index, _)| index).collect::<Vec<_>>();
            prop_assert_eq!(bytes(&text), bytes(&shown));
        }
    }
}
