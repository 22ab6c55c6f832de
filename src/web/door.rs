//! The door: so many guests at a time, each for so long.

use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::{Sleep, sleep};

/// So many connections at a time, so that guests cannot use up what lamps need; a guess.
const GUESTS: usize = 32;
/// No connection lasts longer, whatever its guest does; a guess.
const STAY: Duration = Duration::from_secs(30);

/// A listener with bounds.
#[derive(Debug)]
pub(super) struct Door {
    listener: TcpListener,
    places: Arc<Semaphore>,
}

impl Door {
    pub(super) fn new(listener: TcpListener) -> Door {
        Door { listener, places: Arc::new(Semaphore::new(GUESTS)) }
    }
}

impl axum::serve::Listener for Door {
    type Io = Guest;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Guest, SocketAddr) {
        loop {
            let place = Arc::clone(&self.places).acquire_owned().await;
            let (Ok(place), Ok((stream, address))) = (place, self.listener.accept().await) else {
                // Out of file handles, say: some will be free again.
                sleep(Duration::from_secs(1)).await;
                continue;
            };
            return (Guest { stream, end: Box::pin(sleep(STAY)), _place: place }, address);
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.listener.local_addr()
    }
}

/// A connection that ends in time.
#[derive(Debug)]
pub(super) struct Guest {
    stream: TcpStream,
    end: Pin<Box<Sleep>>,
    _place: OwnedSemaphorePermit,
}

impl Guest {
    fn must_go(&mut self, context: &mut Context<'_>) -> bool {
        self.end.as_mut().poll(context).is_ready()
    }
}

impl AsyncRead for Guest {
    fn poll_read(mut self: Pin<&mut Self>, context: &mut Context<'_>, into: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        if self.must_go(context) {
            return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
        }
        Pin::new(&mut self.stream).poll_read(context, into)
    }
}

impl AsyncWrite for Guest {
    fn poll_write(mut self: Pin<&mut Self>, context: &mut Context<'_>, from: &[u8]) -> Poll<io::Result<usize>> {
        if self.must_go(context) {
            return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
        }
        Pin::new(&mut self.stream).poll_write(context, from)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}
