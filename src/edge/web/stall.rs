//! A connection that is given up when nobody takes what is sent on it.

use std::io;
use std::pin::Pin;
use std::task::{Context, Poll, ready};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::Sleep;

/// A connection whose writing fails once it has waited for too long.
pub struct Stalling<S> {
    stream: S,
    limit: Duration,
    /// Runs while a write waits.
    waits: Option<Pin<Box<Sleep>>>,
}

impl<S> Stalling<S> {
    /// `stream`, of which nobody may leave a write waiting for longer than `limit`.
    pub fn new(stream: S, limit: Duration) -> Self {
        Self { stream, limit, waits: None }
    }

    /// The write's own outcome, or the end of the patience with it.
    fn judge<T>(
        &mut self,
        context: &mut Context<'_>,
        outcome: Poll<io::Result<T>>,
    ) -> Poll<io::Result<T>> {
        if outcome.is_ready() {
            self.waits = None;
            return outcome;
        }
        let limit = self.limit;
        let waits = self.waits.get_or_insert_with(|| Box::pin(tokio::time::sleep(limit)));
        ready!(waits.as_mut().poll(context));
        self.waits = None;
        Poll::Ready(Err(io::Error::new(io::ErrorKind::TimedOut, "nobody reads what is sent")))
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Stalling<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(context, buffer)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Stalling<S> {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let outcome = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.judge(context, outcome)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        parts: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let outcome = Pin::new(&mut self.stream).poll_write_vectored(context, parts);
        self.judge(context, outcome)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let outcome = Pin::new(&mut self.stream).poll_flush(context);
        self.judge(context, outcome)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let outcome = Pin::new(&mut self.stream).poll_shutdown(context);
        self.judge(context, outcome)
    }
}

#[cfg(test)]
mod tests {
    use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

    use super::*;

    #[tokio::test]
    async fn who_never_reads_is_given_up_after_the_limit() {
        let (near, far) = tokio::io::duplex(16);
        let mut near = Stalling::new(near, Duration::from_millis(50));
        let written = near.write_all(&[7; 64]).await;
        assert_eq!(written.unwrap_err().kind(), io::ErrorKind::TimedOut);
        drop(far);
    }

    #[tokio::test]
    async fn who_reads_slowly_is_waited_for() {
        let (near, mut far) = tokio::io::duplex(16);
        let mut near = Stalling::new(near, Duration::from_secs(2));
        let reader = tokio::spawn(async move {
            let mut read = 0;
            while read < 64 {
                tokio::time::sleep(Duration::from_millis(20)).await;
                read += far.read(&mut [0; 16]).await.unwrap();
            }
        });
        near.write_all(&[7; 64]).await.unwrap();
        reader.await.unwrap();
    }
}
