//! A thread of the host's own on which audio runs, and nothing else.

use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::JoinHandle;

type Work = Box<dyn FnOnce() + Send>;

/// The thread while it lives; it ends when this is dropped.
pub(crate) struct AudioThread {
    orders: Option<Sender<Work>>,
    thread: Option<JoinHandle<()>>,
}

impl AudioThread {
    /// Starts one that waits for work.
    pub(crate) fn new() -> Self {
        let (orders, work) = channel::<Work>();
        let thread = std::thread::spawn(move || work.into_iter().for_each(|work| work()));
        Self { orders: Some(orders), thread: Some(thread) }
    }

    /// Lets the thread do something; what comes of it is received when it is done.
    pub(crate) fn begin<R: Send + 'static>(&self, work: impl FnOnce() -> R + Send + 'static) -> Receiver<R> {
        let (done, result) = channel();
        let orders = self.orders.as_ref().expect("the thread lives");
        // Nobody may wait any more: then nobody is told.
        let work = move || drop(done.send(work()));
        orders.send(Box::new(work)).expect("the thread lives");
        result
    }

    /// As [`Self::begin`], and waits for it.
    pub(crate) fn call<R: Send + 'static>(&self, work: impl FnOnce() -> R + Send + 'static) -> R {
        self.begin(work).recv().expect("the audio thread does not panic")
    }
}

impl Drop for AudioThread {
    fn drop(&mut self) {
        self.orders = None;
        if let Some(thread) = self.thread.take() {
            // What it panicked with was printed, and whoever waited for it has panicked too.
            let _ = thread.join();
        }
    }
}
