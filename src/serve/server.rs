//! The listener: connections bounded in number and in time, plain or in TLS. Who finds no seat is heard for a moment all
//! the same: whoever may operate must reach STOP, however many others come.

use super::guard::{Peer, Visitor};
use super::patience::Patient;
use super::seats::{Hall, MOST, MOST_PLACES, Seat, Seats, Visit};
use super::state::AppState;
use super::tls::{TlsError, acceptor};
use super::{Problem, router};
use axum::Router;
use axum::http::StatusCode;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::{Service, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use rustix::process::{Resource, getrlimit};
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::time::{sleep, timeout};
use tokio_rustls::TlsAcceptor;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

/// From accept, or from the last answer, to the end of the request's headers; and for a TLS handshake.
const HEADER_TIME: Duration = Duration::from_secs(10);
/// How long an answer may wait for its reader.
const WRITE_TIME: Duration = Duration::from_secs(30);
/// What open connections get to finish after shutdown was asked for.
const DRAIN_TIME: Duration = Duration::from_secs(2);
/// How long one who is turned away may take to read why.
const REFUSAL_TIME: Duration = Duration::from_secs(1);
/// How long a visitor may take to show that they may operate.
const VISIT_TIME: Duration = Duration::from_secs(2);
/// Descriptors kept for all else: a port for each supply and one more while it is opened anew, the ledger and its
/// readers, sensors, webhooks, the minder's pipe.
const OTHERS: usize = 192;
/// A browser behind two proxies sends two dozen.
const MOST_HEADERS: usize = 100;
/// Of a request, before its body.
const HEAD_BYTES: usize = 64 * 1024;
/// How every TLS connection begins: a handshake record (RFC 8446, section 5.1).
const TLS_HANDSHAKE: u8 = 22;

/// A bound address.
pub struct Listening {
    listener: TcpListener,
    tls: Option<TlsAcceptor>,
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
    Ok(Listening { listener, tls: None, address })
}

impl Listening {
    /// The same, in TLS. This machine may go on in plain, on the same port: what it
    /// says passes no wire. Whoever else does is told.
    ///
    /// # Errors
    /// A certificate or key that cannot be used.
    pub fn with_tls(mut self, tls: Option<&crate::config::Tls>) -> Result<Listening, TlsError> {
        self.tls = tls.map(acceptor).transpose()?;
        Ok(self)
    }

    /// Serves until the state's token is cancelled, then lets open requests end.
    pub async fn serve(self, app: AppState) {
        let shutdown = app.shutdown.clone();
        let door = Arc::new(Door { router: router(app), tls: self.tls, shutdown: shutdown.clone() });
        let seats = Seats::within(for_connections());
        if seats.most() < MOST {
            tracing::warn!(
                "only {} connections at once: the limit of open files is low (ulimit -n, LimitNOFILE=)",
                seats.most()
            );
        }
        let hall = Hall::default();
        let tasks = TaskTracker::new();
        loop {
            let accepted = tokio::select! {
                () = shutdown.cancelled() => break,
                accepted = self.listener.accept() => accepted,
            };
            let Ok((socket, from)) = accepted else {
                // Out of descriptors, most likely; a busy loop would not help.
                tokio::time::sleep(Duration::from_millis(100)).await;
                continue;
            };
            let peer = peer(&socket, from);
            if let Some(seat) = seats.take(peer) {
                tasks.spawn(door.clone().attend(socket, peer, seat));
            } else if let Some(visit) = hall.enter(peer).await {
                tasks.spawn(door.clone().hear(socket, peer, visit));
            }
        }
        tasks.close();
        tasks.wait().await;
    }
}

/// Descriptors that connections may take: what is left of the limit without those of [`OTHERS`] and of
/// visitors. A port that was unplugged must find one when it is opened anew, however many people look.
fn for_connections() -> usize {
    let limit = getrlimit(Resource::Nofile).current.and_then(|most| usize::try_from(most).ok());
    limit.map_or(usize::MAX, |most| most.saturating_sub(OTHERS + MOST_PLACES))
}

/// Who is at the other end of it.
fn peer(socket: &TcpStream, from: SocketAddr) -> Peer {
    let address = from.ip().to_canonical();
    let own = socket.local_addr().is_ok_and(|local| local.ip().to_canonical() == address);
    Peer { address, here: own || address.is_loopback(), tls: false }
}

struct Door {
    router: Router,
    tls: Option<TlsAcceptor>,
    shutdown: CancellationToken,
}

impl Door {
    async fn attend(self: Arc<Door>, socket: TcpStream, peer: Peer, _seat: Seat) {
        self.talk(socket, peer, None).await;
    }

    /// One for whom there is no seat. Whoever turns out to be one who may operate is served to the end of their request.
    async fn hear(self: Arc<Door>, socket: TcpStream, peer: Peer, visit: Visit) {
        let enough = async {
            tokio::select! {
                () = visit.leave.cancelled() => {}
                () = sleep(VISIT_TIME) => {}
            }
            if visit.visitor.may_operate() {
                std::future::pending::<()>().await;
            }
        };
        tokio::select! {
            () = async {
                // By the time somebody else could need the place it is known whether something was said with the first
                // packets.
                visit.begins();
                if socket.peek(&mut [0]).await.is_ok_and(|n| n == 1) {
                    visit.speaks();
                    self.talk(socket, peer, Some(visit.visitor.clone())).await;
                }
            } => {}
            () = enough => tracing::debug!(address = %peer.address, "turned away: every seat is taken"),
        }
    }

    async fn talk(&self, socket: TcpStream, peer: Peer, visitor: Option<Visitor>) {
        // A reading is small and wanted now; if this fails it is only slower.
        socket.set_nodelay(true).ok();
        let Some(tls) = &self.tls else {
            return self.converse(Patient::new(socket, WRITE_TIME), peer, visitor).await;
        };
        let mut first = [0];
        match timeout(HEADER_TIME, socket.peek(&mut first)).await {
            Ok(Ok(1)) if first[0] == TLS_HANDSHAKE => {
                match timeout(HEADER_TIME, tls.accept(Patient::new(socket, WRITE_TIME))).await {
                    Ok(Ok(stream)) => self.converse(stream, Peer { tls: true, ..peer }, visitor).await,
                    Ok(Err(e)) => tracing::debug!(error = %e, "a TLS handshake failed"),
                    Err(_) => tracing::debug!("a TLS handshake took too long"),
                }
            }
            Ok(Ok(1)) if peer.here => self.converse(Patient::new(socket, WRITE_TIME), peer, visitor).await,
            Ok(Ok(1)) => {
                let why = "this port speaks TLS: ask with https://";
                turn_away(socket, &Problem::new(StatusCode::BAD_REQUEST, "needs-tls", why)).await;
            }
            _ => {}
        }
    }

    async fn converse(
        &self,
        stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
        peer: Peer,
        visitor: Option<Visitor>,
    ) {
        let routes = TowerToHyperService::new(self.router.clone());
        let service = service_fn(move |mut request: hyper::Request<Incoming>| {
            request.extensions_mut().insert(peer);
            if let Some(visitor) = &visitor {
                request.extensions_mut().insert(visitor.clone());
            }
            routes.call(request)
        });
        let connection = http1::Builder::new()
            .timer(TokioTimer::new())
            .header_read_timeout(HEADER_TIME)
            .max_headers(MOST_HEADERS)
            .max_buf_size(HEAD_BYTES)
            .serve_connection(TokioIo::new(stream), service);
        let mut connection = std::pin::pin!(connection);
        let ended = tokio::select! {
            ended = connection.as_mut() => ended,
            () = self.shutdown.cancelled() => {
                connection.as_mut().graceful_shutdown();
                match timeout(DRAIN_TIME, connection).await {
                    Ok(ended) => ended,
                    Err(_) => return,
                }
            }
        };
        if let Err(e) = ended {
            tracing::debug!(error = %e, "a client's connection ended early");
        }
    }
}

/// Says why, and waits a moment for it to be read: a connection closed on unread bytes takes the answer with it.
async fn turn_away(mut socket: TcpStream, problem: &Problem) {
    let answer = problem.raw();
    let told = async {
        socket.write_all(answer.as_bytes()).await?;
        socket.shutdown().await?;
        let mut rest = [0; 1024];
        while socket.read(&mut rest).await? > 0 {}
        std::io::Result::Ok(())
    };
    // Whether it was read is theirs.
    let _ = timeout(REFUSAL_TIME, told).await;
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Tls;

    #[expect(clippy::disallowed_methods, reason = "a certificate is two files")]
    fn tls(folder: &std::path::Path) -> TlsAcceptor {
        let made = rcgen::generate_simple_self_signed(["localhost".to_owned()]).unwrap();
        let tls = Tls { certificate: folder.join("chain.pem"), key: folder.join("key.pem") };
        std::fs::write(&tls.certificate, made.cert.pem()).unwrap();
        std::fs::write(&tls.key, made.signing_key.serialize_pem()).unwrap();
        acceptor(&tls).unwrap()
    }

    #[tokio::test]
    async fn token_sent_in_plain_from_elsewhere_to_a_port_with_tls_is_not_even_read() {
        let folder = tempfile::tempdir().unwrap();
        let router = Router::new().fallback(|| async { "reached" });
        let door =
            Arc::new(Door { router, tls: Some(tls(folder.path())), shutdown: CancellationToken::new() });
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let mut client = TcpStream::connect(listener.local_addr().unwrap()).await.unwrap();
        client
            .write_all(b"GET / HTTP/1.1\r\nhost: localhost\r\nauthorization: Bearer x\r\n\r\n")
            .await
            .unwrap();
        let (socket, _) = listener.accept().await.unwrap();
        let peer = Peer { address: [192, 0, 2, 7].into(), here: false, tls: false };
        let seat = Seats::within(MOST).take(peer).unwrap();
        tokio::spawn(door.attend(socket, peer, seat));
        let mut answer = String::new();
        client.read_to_string(&mut answer).await.unwrap();
        assert!(answer.starts_with("HTTP/1.1 400 Bad Request\r\n"), "{answer}");
        assert!(answer.contains("\"needs-tls\"") && answer.contains("https://"), "{answer}");
    }
}
