//! One signal that every task listens to.

use tokio::sync::watch;

/// Told once, heard by every clone.
#[derive(Clone, Debug)]
pub struct Shutdown {
    heard: watch::Receiver<bool>,
}

/// The end that tells. Dropping it tells too, so a task can never outlive its owner unheard.
#[derive(Debug)]
pub struct ShutdownTrigger {
    told: watch::Sender<bool>,
}

impl Shutdown {
    /// A signal and the end that gives it.
    pub fn new() -> (ShutdownTrigger, Shutdown) {
        let (told, heard) = watch::channel(false);
        (ShutdownTrigger { told }, Shutdown { heard })
    }

    /// Whether it was told.
    pub fn is_told(&self) -> bool {
        *self.heard.borrow()
    }

    /// Waits until it is told.
    pub async fn told(&mut self) {
        // An error means the trigger is gone, which tells as well.
        let _ = self.heard.wait_for(|told| *told).await;
    }
}

impl ShutdownTrigger {
    /// Tells everyone.
    pub fn tell(&self) {
        self.told.send_replace(true);
    }
}
