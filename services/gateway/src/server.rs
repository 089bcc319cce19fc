//! The door for browsers: plain HTTP or TLS, and an orderly end.

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context as _;
use axum::Router;
use axum::extract::connect_info::Connected;
use axum::serve::{IncomingStream, Listener};
use bus::Shutdown;
use bus::retry::Backoff;
use site::Tls;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject as _;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};

/// How long a browser may take to agree on a key.
const HANDSHAKE_WITHIN: Duration = Duration::from_secs(10);

/// How long requests under way may take when we are asked to stop.
const LAST_WORDS: Duration = Duration::from_secs(3);

/// Whoever is connected.
#[derive(Debug, Clone, Copy)]
pub struct Caller(pub SocketAddr);

/// Bytes from and to a browser, whatever is under them.
pub trait Wire: AsyncRead + AsyncWrite + Send + Unpin {}
impl<T: AsyncRead + AsyncWrite + Send + Unpin> Wire for T {}

/// An open door: its port is taken.
pub struct Door {
    address: SocketAddr,
    callers: mpsc::Receiver<(Box<dyn Wire>, SocketAddr)>,
}

impl Door {
    /// Opens the door.
    ///
    /// # Errors
    /// When the port is taken, or certificate and key cannot be used.
    pub async fn open(listen: SocketAddr, tls: Option<&Tls>) -> anyhow::Result<Self> {
        let acceptor = tls.map(acceptor).transpose()?;
        let listener = TcpListener::bind(listen).await.with_context(|| {
            format!(
                "pages cannot be served on {listen}: stop the program that uses it, or write \
                 another `listen` under [gateway] in the site file"
            )
        })?;
        let address = listener.local_addr()?;
        let (let_in, callers) = mpsc::channel(64);
        tokio::spawn(accept(listener, acceptor, let_in));
        Ok(Self { address, callers })
    }

    /// The address it has.
    #[must_use]
    pub const fn address(&self) -> SocketAddr {
        self.address
    }

    /// Serves until shutdown.
    ///
    /// # Errors
    /// None that is known: what happens on a connection ends that connection.
    pub async fn serve(self, router: Router, shutdown: Shutdown) -> anyhow::Result<()> {
        let stop = shutdown.clone();
        let serving = axum::serve(self, router.into_make_service_with_connect_info::<Caller>())
            .with_graceful_shutdown(async move { stop.requested().await });
        tokio::select! {
            served = async { serving.await } => Ok(served?),
            () = async {
                shutdown.requested().await;
                // Live updates never end by themselves.
                tokio::time::sleep(LAST_WORDS).await;
            } => Ok(()),
        }
    }
}

impl Listener for Door {
    type Io = Box<dyn Wire>;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Self::Io, SocketAddr) {
        match self.callers.recv().await {
            Some(caller) => caller,
            None => std::future::pending().await,
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        Ok(self.address)
    }
}

impl Connected<IncomingStream<'_, Door>> for Caller {
    fn connect_info(stream: IncomingStream<'_, Door>) -> Self {
        Self(*stream.remote_addr())
    }
}

/// Lets callers in; each agrees on a key by itself, so that a slow one holds up nobody.
async fn accept(
    listener: TcpListener,
    acceptor: Option<TlsAcceptor>,
    let_in: mpsc::Sender<(Box<dyn Wire>, SocketAddr)>,
) {
    let mut backoff = Backoff::default();
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
        // A small answer must not wait for the next one.
        let _ = stream.set_nodelay(true);
        let (acceptor, let_in) = (acceptor.clone(), let_in.clone());
        tokio::spawn(async move {
            if let Some(wire) = shake_hands(acceptor, stream, from).await {
                // Closed: we are stopping.
                let _ = let_in.send((wire, from)).await;
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
