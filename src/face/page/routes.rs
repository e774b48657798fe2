//! Which address shows what.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use axum::Router;
use axum::extract::{Path, RawQuery, State};
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE, VARY};
use axum::http::{HeaderMap, HeaderValue, StatusCode};
use axum::middleware::from_fn_with_state;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use maud::Markup;
use serde_json::{Value, json};
use tokio::sync::watch;

use super::guard::{OwnNames, guard, machine};
use super::layout::{self, Where, refusal};
use super::negotiation::{wants_json, wants_open_metrics};
use super::past::{self, Past, Stretch};
use super::{Published, lines, log, meter, overview};
use crate::face::{metrics, state};

/// What every request sees.
#[derive(Clone)]
pub(super) struct Shared {
    names: Arc<OwnNames>,
    published: watch::Receiver<Arc<Published>>,
    past: Arc<Mutex<BTreeMap<(String, Stretch), Past>>>,
}

impl Shared {
    pub(super) fn new(listen: &str, published: watch::Receiver<Arc<Published>>) -> Self {
        let names = Arc::new(OwnNames::of(listen, &machine()));
        Self { names, published, past: Arc::default() }
    }

    fn published(&self) -> Arc<Published> {
        Arc::clone(&self.published.borrow())
    }
}

/// A page that cannot be shown, and why.
type Shown = Result<Response, Refused>;

/// Why not.
struct Refused(StatusCode, String);

pub(super) fn router(shared: Shared) -> Router {
    Router::new()
        .route("/", get(all_meters))
        .route("/meter/{name}", get(one_meter))
        .route("/log", get(whole_log))
        .route("/lines", get(all_lines))
        .route("/metrics", get(scrape))
        .route("/page.css", get(|| file("text/css; charset=utf-8", layout::style())))
        .route("/live.js", get(|| file("text/javascript; charset=utf-8", layout::SCRIPT.to_owned())))
        .route("/icon.svg", get(|| file("image/svg+xml", include_str!("icon.svg").to_owned())))
        .fallback(nothing)
        .layer(from_fn_with_state(Arc::clone(&shared.names), guard))
        .with_state(shared)
}

/// A part of the program itself: under its address, which holds its hash, it never changes.
async fn file(kind: &'static str, text: String) -> Response {
    let headers = [(CONTENT_TYPE, kind), (CACHE_CONTROL, "max-age=31536000, immutable")];
    (headers, text).into_response()
}

async fn nothing(headers: HeaderMap) -> Response {
    refusal(StatusCode::NOT_FOUND, "There is no such page. The way back: the meters of this site.", &headers)
}

async fn all_meters(State(shared): State<Shared>, headers: HeaderMap) -> Response {
    answered(&headers, || {
        let published = shared.published();
        let state = standing(&published)?;
        Ok(if wants_json(&headers) {
            json_answer(&json!(state))
        } else {
            html_answer(&layout::page(state, Where::Meters, "Meters", &overview::content(state, &published.declared)))
        })
    })
}

async fn one_meter(
    State(shared): State<Shared>,
    Path(name): Path<String>,
    RawQuery(query): RawQuery,
    headers: HeaderMap,
) -> Response {
    let published = shared.published();
    let wants_only_now = parameter(query.as_deref(), "part") == Some("now");
    let stretch = Stretch::named(parameter(query.as_deref(), "over"));
    let found = async {
        let state = standing(&published)?;
        let of_meter = state.meters.iter().find(|meter| meter.meter == name).zip(published.declared.meters.get(&name));
        let (of_meter, facts) =
            of_meter.ok_or_else(|| Refused(StatusCode::NOT_FOUND, format!("This site has no meter \"{name}\".")))?;
        if wants_only_now {
            return Ok(html_answer(&layout::page(state, Where::Meter, &name, &meter::now(state, of_meter, facts))));
        }
        let past = remembered(&shared, &published, &name, stretch).await?;
        Ok(if wants_json(&headers) {
            json_answer(&meter::json(of_meter, &past))
        } else {
            html_answer(&layout::page(state, Where::Meter, &name, &meter::content(state, of_meter, facts, &past)))
        })
    };
    let found: Shown = found.await;
    answered(&headers, || found)
}

/// The past of a meter, read anew where what is known of it is too old.
async fn remembered(shared: &Shared, published: &Published, name: &str, stretch: Stretch) -> Result<Past, Refused> {
    let key = (name.to_owned(), stretch);
    let known = |key| shared.past.lock().unwrap_or_else(PoisonError::into_inner).get(key).cloned();
    if let Some(past) = known(&key).filter(Past::is_fresh) {
        return Ok(past);
    }
    let Some(facts) = published.declared.meters.get(name).cloned() else {
        return Err(Refused(StatusCode::NOT_FOUND, format!("This site has no meter \"{name}\".")));
    };
    let (store, site) = (published.declared.store.clone(), published.state.as_ref().map(|state| state.site.clone()));
    let read =
        tokio::task::spawn_blocking(move || past::read(&store, &site.unwrap_or_default(), &facts, stretch)).await;
    match read {
        Ok(Ok(past)) => {
            let mut all = shared.past.lock().unwrap_or_else(PoisonError::into_inner);
            all.retain(|_, past| past.is_fresh());
            all.insert(key, past.clone());
            Ok(past)
        }
        Ok(Err(error)) => Err(Refused(StatusCode::SERVICE_UNAVAILABLE, format!("The store cannot be read: {error}"))),
        Err(error) => {
            tracing::error!("a page could not be made: {error}");
            Err(Refused(StatusCode::INTERNAL_SERVER_ERROR, "This page could not be made; the log says why.".to_owned()))
        }
    }
}

async fn whole_log(State(shared): State<Shared>, RawQuery(query): RawQuery, headers: HeaderMap) -> Response {
    let published = shared.published();
    let days = log::Days::named(parameter(query.as_deref(), "days"));
    let found = async {
        let state = standing(&published)?;
        if parameter(query.as_deref(), "part") == Some("now") {
            // Nothing of the log changes from second to second but its heading.
            return Ok(html_answer(&layout::page(state, Where::Log, "Log", &Markup::default())));
        }
        let store = published.declared.store.clone();
        let read = tokio::task::spawn_blocking(move || log::read(&store, days)).await;
        let log = match read {
            Ok(Ok(log)) => log,
            Ok(Err(error)) => {
                return Err(Refused(StatusCode::SERVICE_UNAVAILABLE, format!("The store cannot be read: {error}")));
            }
            Err(error) => return Err(Refused(StatusCode::INTERNAL_SERVER_ERROR, error.to_string())),
        };
        Ok(if wants_json(&headers) {
            json_answer(&log::json(&log))
        } else {
            html_answer(&layout::page(state, Where::Log, "Log", &log::content(&log)))
        })
    };
    let found: Shown = found.await;
    answered(&headers, || found)
}

async fn all_lines(State(shared): State<Shared>, headers: HeaderMap) -> Response {
    answered(&headers, || {
        let published = shared.published();
        let state = standing(&published)?;
        Ok(if wants_json(&headers) {
            json_answer(&json!({ "since": crate::record::format_instant(state.running_since), "lines": state.lines }))
        } else {
            html_answer(&layout::page(state, Where::Lines, "Lines", &lines::content(state)))
        })
    })
}

async fn scrape(State(shared): State<Shared>, headers: HeaderMap) -> Response {
    let published = shared.published();
    let Some(state) = &published.state else {
        return (StatusCode::SERVICE_UNAVAILABLE, "the daemon has only just begun\n").into_response();
    };
    let format = if wants_open_metrics(&headers) { metrics::Format::OpenMetrics } else { metrics::Format::Plain };
    ([(CONTENT_TYPE, format.content_type()), (VARY, "accept")], metrics::text(state, format)).into_response()
}

fn standing(published: &Published) -> Result<&state::State, Refused> {
    published.state.as_ref().ok_or_else(|| {
        Refused(StatusCode::SERVICE_UNAVAILABLE, "The daemon has only just begun. Ask again in a second.".to_owned())
    })
}

fn answered(headers: &HeaderMap, make: impl FnOnce() -> Shown) -> Response {
    let mut response = make().unwrap_or_else(|Refused(status, why)| refusal(status, &why, headers));
    response.headers_mut().insert(VARY, HeaderValue::from_static("accept"));
    response
}

fn html_answer(page: &Markup) -> Response {
    ([(CONTENT_TYPE, "text/html; charset=utf-8")], page.0.clone()).into_response()
}

fn json_answer(value: &Value) -> Response {
    ([(CONTENT_TYPE, "application/json")], format!("{value:#}\n")).into_response()
}

/// The value of a parameter of a query. None of ours needs an escape.
fn parameter<'query>(query: Option<&'query str>, name: &str) -> Option<&'query str> {
    query?.split('&').find_map(|pair| pair.split_once('=').filter(|(key, _)| *key == name)).map(|(_, value)| value)
}
