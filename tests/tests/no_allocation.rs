//! The engine's `process` neither allocates nor frees, at rest and while everything moves.
//!
//! The allocator of this test program counts; a control shows that it would notice.

use std::alloc::{GlobalAlloc, Layout as Memory, System};
use std::cell::Cell;
use std::sync::Arc;

use rostra_dsp::Settings;
use rostra_dsp::acoustics::Finish;
use rostra_dsp::engine::{Config, Engine, Layout};
use rostra_dsp::extremes::larger;
use rostra_dsp::hall::{Hall, HallEngine};
use rostra_dsp::tail::{TailSpec, TailSpectra, TailSupply, TailVoice};

/// The system's allocator, counting the calls of each thread.
struct Counting;

thread_local! {
    static CALLS: Cell<usize> = const { Cell::new(0) };
}

fn count() {
    // A thread that is ending has no counter any more; nobody looks then.
    let _ = CALLS.try_with(|calls| calls.set(calls.get() + 1));
}

// SAFETY: every call is handed on to the system's allocator unchanged.
#[allow(unsafe_code, reason = "a global allocator cannot be written otherwise")]
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, memory: Memory) -> *mut u8 {
        count();
        // SAFETY: the caller keeps the contract of `GlobalAlloc`.
        unsafe { System.alloc(memory) }
    }
    unsafe fn dealloc(&self, pointer: *mut u8, memory: Memory) {
        count();
        // SAFETY: the caller keeps the contract of `GlobalAlloc`.
        unsafe { System.dealloc(pointer, memory) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

fn calls_during(work: impl FnOnce()) -> usize {
    let before = CALLS.with(Cell::get);
    work();
    CALLS.with(Cell::get) - before
}

/// Hands out voices that were made before, and parks those that come back.
struct Prepared {
    #[allow(clippy::vec_box, reason = "voices are handed over in their boxes")]
    ready: Vec<Box<TailVoice>>,
    wanted: bool,
    #[allow(clippy::vec_box, reason = "voices are handed over in their boxes")]
    parked: Vec<Box<TailVoice>>,
}

impl TailSupply for Prepared {
    fn ask(&mut self, _spec: &TailSpec) {
        self.wanted = true;
    }
    fn take(&mut self) -> Option<Box<TailVoice>> {
        if std::mem::take(&mut self.wanted) { self.ready.pop() } else { None }
    }
    fn give_back(&mut self, voice: Box<TailVoice>) {
        self.parked.push(voice);
    }
}

fn supply(config: &Config) -> Prepared {
    let spectra = Arc::new(TailSpectra::build(&Engine::tail_spec(config, &Settings::default())));
    let ready = (0..40).map(|_| Box::new(TailVoice::new(Arc::clone(&spectra)))).collect();
    Prepared { ready, wanted: false, parked: Vec::with_capacity(40) }
}

#[test]
fn process_neither_allocates_nor_frees() {
    for layout in [Layout::MonoToMono, Layout::MonoToStereo, Layout::StereoToStereo] {
        let config = Config { sample_rate_hz: 48_000.0, layout };
        let mut engine = Engine::prepare(config).expect("an ordinary rate");
        engine.reset();
        let (mut left, mut right) = (vec![0.0_f32; 480], vec![0.0_f32; 480]);
        let mut mono_supply = supply(&Config { layout: Layout::MonoToMono, ..config });
        let mut stereo_supply = supply(&Config { layout: Layout::StereoToStereo, ..config });
        let mut heard = 0.0_f32;
        let calls = calls_during(|| {
            let mut settings = Settings::default();
            for block in 0..400_u16 {
                for (n, (l, r)) in left.iter_mut().zip(&mut right).enumerate() {
                    *l = ((n * 7 + usize::from(block)) % 13) as f32 / 13.0 - 0.5;
                    *r = if block % 40 < 20 { *l } else { -0.3 * *l };
                }
                // At rest at first, then everything moves, jumps included.
                if block > 100 {
                    settings.seat.depth_m = 2.0 + f64::from(block % 90) * 0.1;
                    settings.seat.bearing_deg = f64::from(block % 100) - 50.0;
                    settings.tone.close_mic_m = (block % 3 == 0).then_some(0.4);
                    settings.platform.rear = if block % 50 < 25 { Finish::Brick } else { Finish::Curtain };
                    settings.platform.decay_s = 0.3 + f64::from(block / 100) * 0.1;
                }
                if layout == Layout::MonoToMono {
                    engine.process(&settings, &mut mono_supply, &mut [&mut left]);
                } else {
                    engine.process(&settings, &mut stereo_supply, &mut [&mut left, &mut right]);
                }
                heard = larger(heard, left[100].abs());
            }
        });
        assert!(heard > 0.01, "{layout:?}: the sound is not silence");
        assert_eq!(calls, 0, "{layout:?}: calls of the allocator in process");
        let reset = calls_during(|| engine.reset());
        assert_eq!(reset, 0, "{layout:?}: calls of the allocator in reset");
    }
}

#[test]
fn the_hall_neither_allocates_nor_frees() {
    let mut engine = HallEngine::prepare(48_000.0).expect("an ordinary rate");
    let mut hall = Hall { decay_s: 0.8, volume_m3: 3000.0, ..Hall::default() };
    let spectra = Arc::new(TailSpectra::build(&hall.tail_spec(48_000.0)));
    let ready = (0..40).map(|_| Box::new(TailVoice::new(Arc::clone(&spectra)))).collect();
    let mut supply = Prepared { ready, wanted: false, parked: Vec::with_capacity(40) };
    let (mut left, mut right) = (vec![0.0_f32; 480], vec![0.0_f32; 480]);
    let mut heard = 0.0_f32;
    let calls = calls_during(|| {
        for block in 0..400_u16 {
            for (n, (l, r)) in left.iter_mut().zip(&mut right).enumerate() {
                *l = ((n * 7 + usize::from(block)) % 13) as f32 / 13.0 - 0.5;
                *r = -0.3 * *l;
            }
            if block > 100 {
                hall.pre_delay_s = f64::from(block % 100) * 1e-3;
                hall.decay_s = 0.8 + f64::from(block / 100);
                hall.volume_m3 = 3000.0 + f64::from(block / 20) * 100.0;
                hall.early_db = -f64::from(block % 20);
                hall.width_pct = f64::from(block % 100);
                hall.wet_pct = 100.0 - f64::from(block % 50);
            }
            engine.process(&hall, &mut supply, [&mut left, &mut right]);
            heard = larger(heard, left[100].abs());
        }
    });
    assert!(heard > 0.01, "the sound is not silence");
    assert_eq!(calls, 0, "calls of the allocator in process");
    assert_eq!(calls_during(|| engine.reset()), 0, "calls of the allocator in reset");
}

/// The control: the counter notices a vector that grows.
#[test]
fn the_counter_notices_an_allocation() {
    let calls = calls_during(|| {
        drop(std::hint::black_box(vec![1_u8; 16]));
    });
    assert!(calls >= 2, "got {calls}");
}
