//! The door: so many guests at a time, each for as long as something gets through to them; with TLS or without.

use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;

use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc};
use tokio::time::{Instant, Sleep, sleep, timeout};
use tokio_rustls::TlsAcceptor;
use tokio_rustls::server::TlsStream;

use crate::settings::ServerIdentity;

/// So many connections at a time, so that guests cannot use up what lamps need; a guess.
const GUESTS: usize = 256;
/// A connection ends when nothing of an answer has gone out for so long, whatever its guest does; a guess.
const STAY: Duration = Duration::from_secs(30);
/// A handshake takes no longer; a guess.
const HANDSHAKE: Duration = Duration::from_secs(10);

/// A listener with bounds.
#[derive(Debug)]
pub(super) struct Door {
    guests: mpsc::Receiver<(Guest, SocketAddr)>,
    address: SocketAddr,
}

/// What a server shows of itself. Errors are sentences that name the file.
pub(super) fn acceptor(identity: &ServerIdentity) -> Result<TlsAcceptor, String> {
    let ServerIdentity { certificate_file, key_file } = identity;
    let unread = |path: &std::path::Path, error: &dyn std::fmt::Display| format!("{}: {error}", path.display());
    let chain = CertificateDer::pem_file_iter(certificate_file)
        .and_then(Iterator::collect::<Result<Vec<_>, _>>)
        .map_err(|error| unread(certificate_file, &error))?;
    let key = PrivateKeyDer::from_pem_file(key_file).map_err(|error| unread(key_file, &error))?;
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = rustls::ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .and_then(|config| config.with_no_client_auth().with_single_cert(chain, key));
    let mut config = config.map_err(|error| unread(certificate_file, &error))?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(TlsAcceptor::from(Arc::new(config)))
}

impl Door {
    /// Opens the door. It is shut when this is dropped.
    pub(super) fn new(listener: TcpListener, tls: Option<TlsAcceptor>) -> io::Result<Door> {
        let address = listener.local_addr()?;
        let (let_in, guests) = mpsc::channel(1);
        tokio::spawn(open(listener, tls, let_in));
        Ok(Door { guests, address })
    }
}

async fn open(listener: TcpListener, tls: Option<TlsAcceptor>, let_in: mpsc::Sender<(Guest, SocketAddr)>) {
    let places = Arc::new(Semaphore::new(GUESTS));
    loop {
        let Ok(place) = Arc::clone(&places).acquire_owned().await else { return };
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            () = let_in.closed() => return,
        };
        let Ok((stream, address)) = accepted else {
            // Out of file handles, say: some will be free again.
            sleep(Duration::from_secs(1)).await;
            continue;
        };
        let _ = stream.set_nodelay(true);
        let (tls, let_in) = (tls.clone(), let_in.clone());
        tokio::spawn(async move {
            let wire = match tls {
                None => Wire::Plain(stream),
                // Who does not speak TLS is shown out without a word.
                Some(tls) => match timeout(HANDSHAKE, tls.accept(stream)).await {
                    Ok(Ok(stream)) => Wire::Tls(Box::new(stream)),
                    _ => return,
                },
            };
            let guest = Guest { wire, end: Box::pin(sleep(STAY)), _place: place };
            let _ = let_in.send((guest, address)).await;
        });
    }
}

impl axum::serve::Listener for Door {
    type Io = Guest;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Guest, SocketAddr) {
        match self.guests.recv().await {
            Some(guest) => guest,
            None => std::future::pending().await,
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        Ok(self.address)
    }
}

/// How bytes come and go.
#[derive(Debug)]
enum Wire {
    Plain(TcpStream),
    Tls(Box<TlsStream<TcpStream>>),
}

/// A connection that ends in time.
#[derive(Debug)]
pub(super) struct Guest {
    wire: Wire,
    end: Pin<Box<Sleep>>,
    _place: OwnedSemaphorePermit,
}

impl Guest {
    fn must_go(&mut self, context: &mut Context<'_>) -> bool {
        self.end.as_mut().poll(context).is_ready()
    }
}

macro_rules! on_wire {
    ($self:ident, $stream:ident => $call:expr) => {
        match &mut $self.wire {
            Wire::Plain($stream) => {
                let $stream = Pin::new($stream);
                $call
            }
            Wire::Tls($stream) => {
                let $stream = Pin::new(&mut **$stream);
                $call
            }
        }
    };
}

impl AsyncRead for Guest {
    fn poll_read(mut self: Pin<&mut Self>, context: &mut Context<'_>, into: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        if self.must_go(context) {
            return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
        }
        on_wire!(self, stream => stream.poll_read(context, into))
    }
}

impl AsyncWrite for Guest {
    fn poll_write(mut self: Pin<&mut Self>, context: &mut Context<'_>, from: &[u8]) -> Poll<io::Result<usize>> {
        if self.must_go(context) {
            return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
        }
        let written = on_wire!(self, stream => stream.poll_write(context, from));
        if let Poll::Ready(Ok(1..)) = written {
            self.end.as_mut().reset(Instant::now() + STAY);
        }
        written
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        on_wire!(self, stream => stream.poll_flush(context))
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        on_wire!(self, stream => stream.poll_shutdown(context))
    }
}
