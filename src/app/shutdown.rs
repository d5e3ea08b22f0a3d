//! The wish to stop: Ctrl-C, or the service manager's SIGTERM.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;

/// Tells whether somebody has asked the program to stop.
#[derive(Debug, Clone)]
pub struct Shutdown(Arc<AtomicBool>);

impl Shutdown {
    /// Watches for Ctrl-C and SIGTERM from now on.
    ///
    /// # Errors
    /// If the system gives no thread.
    pub fn watch() -> io::Result<Self> {
        let asked = Arc::new(AtomicBool::new(false));
        let noticed = Arc::clone(&asked);
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        thread::Builder::new().name("shutdown".to_owned()).spawn(move || {
            runtime.block_on(asked_to_stop());
            noticed.store(true, Ordering::Relaxed);
        })?;
        Ok(Self(asked))
    }

    /// A wish that never comes: what is short, or part of something else, is not stopped by itself.
    pub fn never() -> Self {
        Self(Arc::default())
    }

    /// Whether the program was asked to stop.
    pub fn asked(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

#[cfg(unix)]
async fn asked_to_stop() {
    use tokio::signal::unix::{SignalKind, signal};

    // Without a handler the signal ends the program as ever, and the record is safe all the same.
    let Ok(mut terminate) = signal(SignalKind::terminate()) else {
        return std::future::pending().await;
    };
    tokio::select! {
        interrupt = tokio::signal::ctrl_c() => {
            if interrupt.is_err() {
                std::future::pending::<()>().await;
            }
        }
        _ = terminate.recv() => {}
    }
}

#[cfg(not(unix))]
async fn asked_to_stop() {
    if tokio::signal::ctrl_c().await.is_err() {
        std::future::pending::<()>().await;
    }
}
