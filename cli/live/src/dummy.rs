//! An output without a sound card: a clock that asks for blocks as a card with two periods does, and hears nothing.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result, bail, ensure};
use rostra_recording::RATES_HZ;

use crate::output::{Output, Play, Playing, Tally};

/// Block where none is asked for, frames: that of many cards at first (our choice).
const BLOCK_FRAMES: u32 = 256;
/// Largest block, frames (our choice).
const LARGEST_BLOCK_FRAMES: u32 = 8192;

/// What was heard of a block: left and right.
pub type Block = (Vec<f32>, Vec<f32>);

/// A clock that plays into nothing.
///
/// As a card with two periods, it plays one block while the next is made: block
/// n is asked for at n T, T its time, and must be there at (n + 1) T. One that
/// comes later is missed, and the clock starts anew, as a card after a gap.
#[derive(Clone, Debug, Default)]
pub struct Dummy {
    /// Blocks after which it behaves as a card that is unplugged.
    pub unplugged_after: Option<u64>,
    /// Whether another program has it.
    pub is_busy: bool,
    /// The one rate that it has; any where there is none.
    pub only_rate_hz: Option<u32>,
    /// Takes what is heard, for tests: left and right of each block.
    pub heard: Option<Sender<Block>>,
}

impl Output for Dummy {
    fn name(&self) -> String {
        "silent device".into()
    }

    fn rate_hz(&self, wished_hz: Option<u32>, loop_rate_hz: u32) -> Result<u32> {
        if let (Some(only), Some(wished)) = (self.only_rate_hz, wished_hz)
            && wished != only
        {
            bail!(
                "--rate {wished}: the silent device has {only} Hz only; leave --rate out, or give one of these"
            );
        }
        let rate_hz = self.only_rate_hz.or(wished_hz).unwrap_or(loop_rate_hz);
        ensure!(
            RATES_HZ.contains(&rate_hz),
            "--rate {rate_hz}: is out of range; give {} to {} Hz",
            RATES_HZ.start(),
            RATES_HZ.end()
        );
        Ok(rate_hz)
    }

    fn start(
        &self,
        rate_hz: u32,
        block_frames: Option<u32>,
        play: Play,
        tally: Arc<Tally>,
    ) -> Result<Box<dyn Playing>> {
        ensure!(
            !self.is_busy,
            "the silent device is busy: another program has it; close that program and try again"
        );
        let frames = block_frames.unwrap_or(BLOCK_FRAMES);
        ensure!(
            (1..=LARGEST_BLOCK_FRAMES).contains(&frames),
            "--block {frames}: the silent device takes 1 to {LARGEST_BLOCK_FRAMES} frames"
        );
        let is_closing = Arc::new(AtomicBool::new(false));
        let (fault_out, fault) = channel();
        let clock = Clock { frames: frames as usize, rate_hz, is_closing: Arc::clone(&is_closing) };
        let dummy = self.clone();
        let thread = std::thread::Builder::new()
            .name("rostra sound".to_owned())
            .spawn(move || {
                if let Some(fault) = clock.run(&dummy, play, &tally) {
                    // Nobody may listen any more.
                    let _ = fault_out.send(fault);
                }
            })
            .context("the thread of the silent device could not be started")?;
        Ok(Box::new(Running { is_closing, thread: Some(thread), fault }))
    }
}

struct Clock {
    frames: usize,
    rate_hz: u32,
    is_closing: Arc<AtomicBool>,
}

impl Clock {
    /// Asks for blocks until it is closed; returns why it stopped before that.
    #[allow(clippy::disallowed_methods, reason = "this is the clock")]
    fn run(&self, dummy: &Dummy, mut play: Play, tally: &Tally) -> Option<String> {
        let block = Duration::from_secs_f64(self.frames as f64 / f64::from(self.rate_hz));
        let (mut left, mut right) = (vec![0.0; self.frames], vec![0.0; self.frames]);
        let (mut start, mut since, mut blocks) = (Instant::now(), 0_u32, 0_u64);
        while !self.is_closing.load(Ordering::Acquire) {
            if dummy.unplugged_after.is_some_and(|most| blocks >= most) {
                return Some("the silent device was unplugged; plug it in and try again".into());
            }
            let due = start + block * since;
            std::thread::sleep(due.saturating_duration_since(Instant::now()));
            let asked = Instant::now();
            play(&mut left, &mut right);
            let made = Instant::now();
            tally.add(self.frames, (made - asked).as_secs_f64() / block.as_secs_f64());
            blocks += 1;
            since += 1;
            if made > due + block {
                // Asked for when it should have been there: nothing that makes blocks could have been in time.
                if asked > due + block {
                    tally.miss_asleep();
                } else {
                    tally.miss();
                }
                (start, since) = (Instant::now(), 0);
            } else if since == u32::MAX {
                (start, since) = (due + block, 0);
            }
            if let Some(heard) = &dummy.heard {
                // A test that has heard enough is gone.
                let _ = heard.send((left.clone(), right.clone()));
            }
        }
        None
    }
}

struct Running {
    is_closing: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
    fault: Receiver<String>,
}

impl Playing for Running {
    fn fault(&mut self) -> Option<String> {
        self.fault.try_recv().ok()
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        self.is_closing.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take()
            && thread.join().is_err()
        {
            eprintln!("the thread of the silent device stopped after a fault");
        }
    }
}
