//! The listener: connections bounded in number and in time.

use super::router;
use super::state::AppState;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::Semaphore;
use tokio_util::task::TaskTracker;

/// A bench has a few browsers, a scraper and a terminal or two.
const MOST_CONNECTIONS: usize = 256;
/// From accept, or from the last answer, to the end of the request's headers.
const HEADER_TIME: Duration = Duration::from_secs(10);
/// What open connections get to finish after shutdown was asked for.
const DRAIN_TIME: Duration = Duration::from_secs(2);

/// A bound address.
pub struct Listening {
    listener: TcpListener,
    /// Where, with the real port when 0 was asked for.
    pub address: SocketAddr,
}

/// Binds. A second daemon on the same address fails here.
///
/// # Errors
/// In the operator's words.
pub async fn listen(address: SocketAddr) -> Result<Listening, String> {
    let failed = |e: std::io::Error| match e.kind() {
        std::io::ErrorKind::AddrInUse => format!(
            "{address} is taken: another tankside, or another program, listens there; stop it or set daemon.listen to a free port"
        ),
        std::io::ErrorKind::PermissionDenied => {
            format!(
                "{address} may not be used: ports below 1024 need privileges; set daemon.listen to a higher one"
            )
        }
        _ => format!("cannot listen on {address}: {e}"),
    };
    let listener = TcpListener::bind(address).await.map_err(failed)?;
    let address = listener.local_addr().map_err(failed)?;
    Ok(Listening { listener, address })
}

impl Listening {
    /// Serves until the state's token is cancelled, then lets open requests end.
    pub async fn serve(self, app: AppState) {
        let shutdown = app.shutdown.clone();
        let service = router(app);
        let room = Arc::new(Semaphore::new(MOST_CONNECTIONS));
        let tasks = TaskTracker::new();
        loop {
            let accepted = tokio::select! {
                () = shutdown.cancelled() => break,
                // Beyond the limit nobody is accepted: the kernel's queue holds them.
                accepted = async {
                    let permit = room.clone().acquire_owned().await;
                    (self.listener.accept().await, permit)
                } => accepted,
            };
            let (Ok((socket, _)), Ok(permit)) = accepted else {
                // Out of descriptors, most likely; a busy loop would not help.
                tokio::time::sleep(Duration::from_millis(100)).await;
                continue;
            };
            // A reading is small and wanted now; if this fails it is only slower.
            socket.set_nodelay(true).ok();
            let connection = http1::Builder::new()
                .timer(TokioTimer::new())
                .header_read_timeout(HEADER_TIME)
                .max_buf_size(64 * 1024)
                .serve_connection(TokioIo::new(socket), TowerToHyperService::new(service.clone()));
            let shutdown = shutdown.clone();
            tasks.spawn(async move {
                let _permit = permit;
                let mut connection = std::pin::pin!(connection);
                let ended = tokio::select! {
                    ended = connection.as_mut() => ended,
                    () = shutdown.cancelled() => {
                        connection.as_mut().graceful_shutdown();
                        match tokio::time::timeout(DRAIN_TIME, connection).await {
                            Ok(ended) => ended,
                            Err(_) => return,
                        }
                    }
                };
                if let Err(e) = ended {
                    tracing::debug!(error = %e, "a client's connection ended early");
                }
            });
        }
        tasks.close();
        tasks.wait().await;
    }
}
