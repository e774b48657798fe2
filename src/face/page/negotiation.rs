//! What a client accepts (RFC 9110 §12.5.1), as far as this page has something to choose from.

use axum::http::HeaderMap;
use axum::http::header::ACCEPT;

/// True where JSON is wanted: it is accepted, and HTML is not wanted more.
pub(super) fn wants_json(headers: &HeaderMap) -> bool {
    let json = weight(headers, "application/json");
    json > 0.0 && json >= weight(headers, "text/html")
}

/// True where a scraper asks for OpenMetrics rather than for the plain text format.
pub(super) fn wants_open_metrics(headers: &HeaderMap) -> bool {
    let open = weight(headers, "application/openmetrics-text");
    open > 0.0 && open >= weight(headers, "text/plain")
}

/// The largest weight with which a type is accepted by its own name; 0 where it is not named.
fn weight(headers: &HeaderMap, wanted: &str) -> f64 {
    let ranges =
        headers.get_all(ACCEPT).iter().filter_map(|value| value.to_str().ok()).flat_map(|text| text.split(','));
    ranges
        .filter_map(|range| {
            let mut parts = range.split(';').map(str::trim);
            parts.next().filter(|name| name.eq_ignore_ascii_case(wanted))?;
            let weight = parts.find_map(|part| part.strip_prefix("q=").or_else(|| part.strip_prefix("Q=")));
            Some(weight.map_or(1.0, |weight| weight.parse::<f64>().unwrap_or(0.0).clamp(0.0, 1.0)))
        })
        .fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use axum::http::HeaderValue;

    use super::*;

    fn accept(text: &'static str) -> HeaderMap {
        [(ACCEPT, HeaderValue::from_static(text))].into_iter().collect()
    }

    #[test]
    fn browsers_get_html_programs_json_scrapers_what_they_ask_for() {
        assert!(wants_json(&accept("application/json")) && wants_json(&accept("text/html;q=0.5, application/json")));
        let browser = accept("text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8");
        assert!(!wants_json(&browser) && !wants_json(&HeaderMap::new()) && !wants_json(&accept("*/*")));
        assert!(
            !wants_json(&accept("application/json;q=0")) && !wants_json(&accept("application/json;q=0.5,text/html"))
        );
        // What a common scraper sends.
        let scraper = accept(
            "application/openmetrics-text;version=1.0.0,application/openmetrics-text;version=0.0.1;q=0.75,\
             text/plain;version=0.0.4;q=0.5,*/*;q=0.1",
        );
        assert!(wants_open_metrics(&scraper) && !wants_open_metrics(&accept("*/*")));
    }
}
