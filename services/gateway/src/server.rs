//! The door for browsers: plain HTTP or TLS, no more callers than can be served, and an orderly
//! end.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context as _;
use axum::Router;
use axum::body::Body;
use axum::extract::ConnectInfo;
use axum::http::{Request, StatusCode};
use axum::response::IntoResponse as _;
use bus::Shutdown;
use bus::retry::Backoff;
use edge::{Seat, Seats};
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::GracefulShutdown;
use site::Tls;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject as _;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tower::ServiceExt as _;

/// How long a browser may take to agree on a key.
const HANDSHAKE_WITHIN: Duration = Duration::from_secs(10);

/// How long a browser may take to say what it wants, and how long it may stay without saying
/// anything: whoever only holds the line keeps others out.
const ASKS_WITHIN: Duration = Duration::from_secs(30);

/// How long it may take from a request's first words to the beginning of its answer: longer than
/// any worker takes, and an end to a body that comes a byte at a time.
const ANSWERED_WITHIN: Duration = Duration::from_secs(60);

/// Connections at a time: half of the 1 024 files that a process has where nobody gave it more.
const CALLERS: usize = 512;

/// Of one address; several machines may stand behind one.
const OF_ONE_ADDRESS: usize = 128;

/// How long requests under way may take when we are asked to stop.
const LAST_WORDS: Duration = Duration::from_secs(3);

/// Whoever is connected.
#[derive(Debug, Clone, Copy)]
pub struct Caller(pub SocketAddr);

/// Bytes from and to a browser, whatever is under them.
pub trait Wire: AsyncRead + AsyncWrite + Send + Unpin {}
impl<T: AsyncRead + AsyncWrite + Send + Unpin> Wire for T {}

/// Somebody who was let in.
struct LetIn {
    wire: Box<dyn Wire>,
    from: SocketAddr,
    seat: Seat<IpAddr>,
}

/// An open door: its port is taken.
pub struct Door {
    address: SocketAddr,
    callers: mpsc::Receiver<LetIn>,
}

impl Door {
    /// Opens the door. `behind_proxy`: everyone comes from the proxy's address.
    ///
    /// # Errors
    /// When the port is taken, or certificate and key cannot be used.
    pub async fn open(
        listen: SocketAddr,
        tls: Option<&Tls>,
        behind_proxy: bool,
    ) -> anyhow::Result<Self> {
        let acceptor = tls.map(acceptor).transpose()?;
        let listener = TcpListener::bind(listen).await.with_context(|| {
            format!(
                "pages cannot be served on {listen}: stop the program that uses it, or write \
                 another `listen` under [gateway] in the site file"
            )
        })?;
        let address = listener.local_addr()?;
        let (let_in, callers) = mpsc::channel(64);
        let each = if behind_proxy {
            CALLERS
        } else {
            OF_ONE_ADDRESS
        };
        let seats = Seats::new(CALLERS, each);
        tokio::spawn(accept((listener, seats), acceptor, let_in));
        Ok(Self { address, callers })
    }

    /// The address it has.
    #[must_use]
    pub const fn address(&self) -> SocketAddr {
        self.address
    }

    /// Serves until shutdown. What happens on a connection ends that connection.
    pub async fn serve(mut self, router: Router, shutdown: Shutdown) {
        let connections = GracefulShutdown::new();
        let mut http = http1::Builder::new();
        http.timer(TokioTimer::new())
            .header_read_timeout(ASKS_WITHIN);
        loop {
            let LetIn { wire, from, seat } = tokio::select! {
                caller = self.callers.recv() => match caller {
                    Some(caller) => caller,
                    None => break,
                },
                () = shutdown.requested() => break,
            };
            let router = router.clone();
            let service = service_fn(move |mut request: Request<Incoming>| {
                request.extensions_mut().insert(ConnectInfo(Caller(from)));
                let answer = router.clone().oneshot(request.map(Body::new));
                async move {
                    match tokio::time::timeout(ANSWERED_WITHIN, answer).await {
                        Ok(answer) => answer,
                        Err(_) => Ok(StatusCode::REQUEST_TIMEOUT.into_response()),
                    }
                }
            });
            let connection = http.serve_connection(TokioIo::new(wire), service);
            let connection = connections.watch(connection);
            tokio::spawn(async move {
                if let Err(error) = connection.await {
                    tracing::debug!(%from, %error, "a connection ended");
                }
                drop(seat);
            });
        }
        drop(self);
        tokio::select! {
            () = connections.shutdown() => {}
            // Live updates never end by themselves.
            () = tokio::time::sleep(LAST_WORDS) => {}
        }
    }
}

/// Lets callers in; each agrees on a key by itself, so that a slow one holds up nobody.
async fn accept(
    (listener, seats): (TcpListener, Arc<Seats<IpAddr>>),
    acceptor: Option<TlsAcceptor>,
    let_in: mpsc::Sender<LetIn>,
) {
    let mut backoff = Backoff::default();
    let mut refused = 0_u64;
    loop {
        let (stream, from) = tokio::select! {
            accepted = listener.accept() => match accepted {
                Ok(accepted) => accepted,
                Err(error) => {
                    tracing::warn!(%error, "a browser could not be let in");
                    backoff.wait().await;
                    continue;
                }
            },
            () = let_in.closed() => return,
        };
        backoff.reset();
        let Some(seat) = seats.take(from.ip()) else {
            refused += 1;
            if refused.is_power_of_two() {
                tracing::warn!(%from, refused, "too many browsers are connected: more are not let in until some have gone");
            }
            continue;
        };
        // A small answer must not wait for the next one.
        let _ = stream.set_nodelay(true);
        let (acceptor, let_in) = (acceptor.clone(), let_in.clone());
        tokio::spawn(async move {
            if let Some(wire) = shake_hands(acceptor, stream, from).await {
                // Closed: we are stopping.
                let _ = let_in.send(LetIn { wire, from, seat }).await;
            }
        });
    }
}

async fn shake_hands(
    acceptor: Option<TlsAcceptor>,
    stream: TcpStream,
    from: SocketAddr,
) -> Option<Box<dyn Wire>> {
    let Some(acceptor) = acceptor else {
        return Some(Box::new(stream));
    };
    match tokio::time::timeout(HANDSHAKE_WITHIN, acceptor.accept(stream)).await {
        Ok(Ok(stream)) => Some(Box::new(stream)),
        Ok(Err(error)) => {
            tracing::debug!(%from, %error, "no TLS handshake");
            None
        }
        Err(_) => None,
    }
}

fn acceptor(tls: &Tls) -> anyhow::Result<TlsAcceptor> {
    let shown = tls.certificate.display();
    let chain: Vec<CertificateDer<'static>> = CertificateDer::pem_file_iter(&tls.certificate)
        .and_then(Iterator::collect)
        .with_context(|| format!("{shown} is no certificate in PEM form"))?;
    anyhow::ensure!(!chain.is_empty(), "{shown} holds no certificate");
    let key = PrivateKeyDer::from_pem_file(&tls.key)
        .with_context(|| format!("{} is no private key in PEM form", tls.key.display()))?;
    let mut config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()?
        .with_no_client_auth()
        .with_single_cert(chain, key)
        .with_context(|| format!("{shown} and {} do not fit", tls.key.display()))?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(TlsAcceptor::from(Arc::new(config)))
}

#[cfg(test)]
mod tests {
    use axum::routing::{get, post};
    use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
    use tokio::net::TcpSocket;

    use super::*;

    async fn opened() -> SocketAddr {
        let door = Door::open("127.0.0.1:0".parse().unwrap(), None, false);
        let door = door.await.unwrap();
        let address = door.address();
        let router = Router::new()
            .route("/", get(async || "here"))
            .route("/", post(async |body: String| body));
        tokio::spawn(door.serve(router, Shutdown::new()));
        address
    }

    async fn connected(from: &str, to: SocketAddr) -> TcpStream {
        let socket = TcpSocket::new_v4().unwrap();
        socket.bind(format!("{from}:0").parse().unwrap()).unwrap();
        socket.connect(to).await.unwrap()
    }

    async fn page(from: &str, to: SocketAddr) -> String {
        let mut stream = connected(from, to).await;
        let asks = b"GET / HTTP/1.1\r\nhost: x\r\nconnection: close\r\n\r\n";
        let mut answer = String::new();
        if stream.write_all(asks).await.is_ok() {
            let _ = stream.read_to_string(&mut answer).await;
        }
        answer
    }

    #[tokio::test]
    async fn whoever_holds_many_lines_without_a_word_keeps_nobody_else_out() {
        let to = opened().await;
        let mut silent = Vec::new();
        for _ in 0..CALLERS {
            silent.push(connected("127.0.0.2", to).await);
        }
        assert!(page("127.0.0.1", to).await.ends_with("here"));
        assert_eq!(page("127.0.0.2", to).await, "", "its own places are taken");
        drop(silent);
        let again = async {
            while !page("127.0.0.2", to).await.ends_with("here") {
                tokio::time::sleep(Duration::from_millis(5)).await;
            }
        };
        tokio::time::timeout(Duration::from_secs(20), again)
            .await
            .unwrap();
    }

    // Time runs ahead here whenever everyone waits.
    #[tokio::test(start_paused = true)]
    async fn a_body_that_does_not_come_to_its_end_is_not_waited_for() {
        let to = opened().await;
        let mut stream = connected("127.0.0.1", to).await;
        let begins = b"POST / HTTP/1.1\r\nhost: x\r\ncontent-length: 9\r\n\r\nslow";
        stream.write_all(begins).await.unwrap();
        let mut answer = String::new();
        let _ = stream.read_to_string(&mut answer).await;
        assert!(answer.starts_with("HTTP/1.1 408"), "{answer}");
    }

    // Time runs ahead here whenever everyone waits.
    #[tokio::test(start_paused = true)]
    async fn a_line_without_a_word_is_closed() {
        let to = opened().await;
        for word in ["", "GET / HTTP/1.1\r\nho"] {
            let mut stream = connected("127.0.0.1", to).await;
            stream.write_all(word.as_bytes()).await.unwrap();
            let mut rest = Vec::new();
            let _ = stream.read_to_end(&mut rest).await;
            assert!(!String::from_utf8_lossy(&rest).contains("here"));
        }
    }
}
