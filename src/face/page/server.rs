//! The server: connections, and how much of the machine they may take.

use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Semaphore, watch};

use super::Published;
use super::routes::{self, Shared};

/// Connections at once; later ones wait in the system's queue.
const MOST_CONNECTIONS: usize = 48;
/// A connection that sends no whole request for so long is closed.
const HEADER_PATIENCE: Duration = Duration::from_secs(10);
/// No connection lasts longer: who reads slowly on purpose takes no place for ever.
const LONGEST_CONNECTION: Duration = Duration::from_secs(120);
/// The head of a request may be so long.
const LONGEST_HEAD: usize = 16 * 1024;
/// Requests that read the store at once.
const READERS: usize = 2;
/// An address that cannot be had is tried again so often.
const BIND_AGAIN: Duration = Duration::from_secs(5);

/// Serves until nobody publishes any more.
pub(super) fn serve(listen: &str, published: watch::Receiver<Arc<Published>>) {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .max_blocking_threads(READERS)
        .thread_name("page reader")
        .build();
    match runtime {
        Ok(runtime) => {
            runtime.block_on(async {
                let mut ended = published.clone();
                tokio::select! {
                    () = accept(listen, published) => {}
                    () = closed(&mut ended) => {}
                }
            });
            // A reader under way is not waited for.
            runtime.shutdown_background();
        }
        Err(error) => tracing::error!("the page cannot be served: {error}"),
    }
}

/// Comes when nobody publishes any more.
async fn closed(published: &mut watch::Receiver<Arc<Published>>) {
    while published.changed().await.is_ok() {}
}

async fn accept(listen: &str, published: watch::Receiver<Arc<Published>>) {
    let listener = bind(listen).await;
    let router = routes::router(Shared::new(listen, published));
    let places = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    loop {
        let Ok(place) = Arc::clone(&places).acquire_owned().await else { return };
        match listener.accept().await {
            Ok((stream, _)) => {
                let router = router.clone();
                tokio::spawn(async move {
                    // A connection that is too old is cut.
                    let _ = tokio::time::timeout(LONGEST_CONNECTION, converse(stream, router)).await;
                    drop(place);
                });
            }
            Err(error) => {
                tracing::debug!("the page could not take a connection: {error}");
                tokio::time::sleep(Duration::from_millis(200)).await;
            }
        }
    }
}

async fn bind(listen: &str) -> TcpListener {
    let mut failed = false;
    loop {
        match TcpListener::bind(listen).await {
            Ok(listener) => {
                tracing::info!("the page is at http://{listen}/");
                return listener;
            }
            Err(error) => {
                if !failed {
                    tracing::error!(
                        "the page cannot listen at {listen}: {error}; polling goes on, and it is tried again every {} s",
                        BIND_AGAIN.as_secs()
                    );
                }
                failed = true;
                tokio::time::sleep(BIND_AGAIN).await;
            }
        }
    }
}

async fn converse(stream: TcpStream, router: Router) {
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADER_PATIENCE)
        .max_buf_size(LONGEST_HEAD)
        .serve_connection(TokioIo::new(stream), TowerToHyperService::new(router));
    if let Err(error) = connection.await {
        tracing::debug!("a connection of the page ended badly: {error}");
    }
}
