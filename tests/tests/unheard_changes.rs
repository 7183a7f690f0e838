//! What changes while it is not heard is there when it is: in silence, at a balance without platform, in a long room.
//!
//! The truth is the engine itself, having stood where the other one has come to,
//! so no source stands beside these checks. Each comparison asserts that it
//! compares a sound (above -40 dBFS) and that a changed parameter breaks it.

use rostra_dsp::Settings;
use rostra_dsp::acoustics::{Family, Finish};
use rostra_dsp::engine::{Config, Engine, Layout};
use rostra_dsp::extremes::larger;
use rostra_dsp::kernel::Noise;
use rostra_dsp::tail::{BuildAtOnce, TailSpec, TailSupply, TailVoice};

const RATE_HZ: f64 = 48_000.0;
/// Frames of a grid step of plans at this rate: changes fall on grid steps, so that both engines plan at the same frames.
const GRID_FRAMES: usize = 512;
/// Frames of a call: no divisor of a grid step.
const BLOCK_FRAMES: usize = 480;
/// Bound of equal sounds under changes (design, section 8).
const WITHIN: f64 = 1e-4;
/// Least rms of a sound that counts as one: -40 dBFS.
const LEAST_RMS: f64 = 0.01;
const LAYOUTS: [Layout; 3] = [Layout::MonoToMono, Layout::MonoToStereo, Layout::StereoToStereo];

/// A platform without its tail.
struct NoTail;

impl TailSupply for NoTail {
    fn ask(&mut self, _spec: &TailSpec) {}
    fn take(&mut self) -> Option<Box<TailVoice>> {
        None
    }
    fn give_back(&mut self, _voice: Box<TailVoice>) {}
}

/// An engine and its input, with what has been heard of it.
struct Player<'a> {
    engine: Engine,
    supply: &'a mut dyn TailSupply,
    layout: Layout,
    input: [Vec<f32>; 2],
    at: usize,
    heard: [Vec<f32>; 2],
}

impl<'a> Player<'a> {
    fn new(layout: Layout, input: &[Vec<f32>; 2], supply: &'a mut dyn TailSupply) -> Self {
        let mut engine =
            Engine::prepare(Config { sample_rate_hz: RATE_HZ, layout }).expect("an ordinary rate");
        engine.reset();
        Self { engine, supply, layout, input: input.clone(), at: 0, heard: [Vec::new(), Vec::new()] }
    }

    /// Plays on to a grid step under some settings.
    fn play_to(&mut self, grid_step: usize, settings: &Settings) {
        let end = grid_step * GRID_FRAMES;
        while self.at < end {
            let next = (self.at + BLOCK_FRAMES).min(end);
            let mut block = self.input.each_ref().map(|channel| channel[self.at..next].to_vec());
            let [left, right] = &mut block;
            if self.layout == Layout::MonoToMono {
                self.engine.process(settings, self.supply, &mut [left]);
            } else {
                self.engine.process(settings, self.supply, &mut [left, right]);
            }
            let outputs = self.layout.outputs();
            for (heard, block) in self.heard.iter_mut().zip(&block).take(outputs) {
                heard.extend(block);
            }
            self.at = next;
        }
    }

    /// Returns the largest difference from another player's sound from a grid step on.
    fn differs_from(&self, other: &Self, from_step: usize) -> f64 {
        let from = from_step * GRID_FRAMES;
        let mut largest: f64 = 0.0;
        for (a, b) in self.heard.iter().zip(&other.heard).take(self.layout.outputs()) {
            let power: f64 = b[from..].iter().map(|&x| f64::from(x).powi(2)).sum();
            let rms = (power / (b.len() - from) as f64).sqrt();
            assert!(rms > LEAST_RMS, "{:?}: {rms} is no sound", self.layout);
            for (a, b) in a[from..].iter().zip(&b[from..]) {
                largest = larger(largest, (f64::from(*a) - f64::from(*b)).abs());
            }
        }
        largest
    }
}

/// Noise, unlike on both sides, silent between two grid steps.
fn noise(frames: usize, silence: std::ops::Range<usize>) -> [Vec<f32>; 2] {
    [31, 32].map(|seed| {
        let mut noise = Noise::new(seed);
        (0..frames)
            .map(|n| {
                let x = (0.1 * noise.gaussian()) as f32;
                if silence.contains(&(n / GRID_FRAMES)) { 0.0 } else { x }
            })
            .collect()
    })
}

fn near() -> Settings {
    let mut settings = Settings::default();
    settings.seat.depth_m = 3.0;
    settings.seat.bearing_deg = 18.0;
    settings.seat.family = Family::RearBell;
    settings
}

/// A jump from [`near`]: every delay fades.
fn far() -> Settings {
    let mut settings = near();
    settings.seat.depth_m = 10.0;
    settings.seat.bearing_deg = -30.0;
    settings
}

/// A second, in grid steps.
const SECOND: usize = RATE_HZ as usize / GRID_FRAMES;

#[test]
fn every_layout_comes_to_rest_after_a_jump() {
    for layout in LAYOUTS {
        let mut supply = BuildAtOnce::default();
        let input = noise(4 * SECOND * GRID_FRAMES, 0..0);
        let mut player = Player::new(layout, &input, &mut supply);
        player.play_to(SECOND, &near());
        assert!(player.engine.rests(), "{layout:?}: at rest from the start");
        player.play_to(SECOND + 3, &far());
        assert!(!player.engine.rests(), "{layout:?}: the control, on its way");
        player.play_to(3 * SECOND, &far());
        assert!(player.engine.rests(), "{layout:?}: two seconds after the jump");
    }
}

/// Alike sides are one source; the ends of the seat are silent while it jumps, and wake up afterwards.
#[test]
fn a_stereo_channel_with_alike_sides_comes_to_rest_and_its_ends_wake_up_where_the_seat_is() {
    let mut input = noise(6 * SECOND * GRID_FRAMES, 0..0);
    let alike = 4 * SECOND * GRID_FRAMES;
    let left = input[0][..alike].to_vec();
    input[1][..alike].copy_from_slice(&left);
    let mut supplies = [(); 3].map(|()| BuildAtOnce::default());
    let [moved, stood, other] = &mut supplies;
    let mut moved = Player::new(Layout::StereoToStereo, &input, moved);
    moved.play_to(SECOND, &near());
    moved.play_to(4 * SECOND, &far());
    assert!(moved.engine.rests(), "three seconds after the jump");
    moved.play_to(5 * SECOND, &far());
    let mut stood = Player::new(Layout::StereoToStereo, &input, stood);
    stood.play_to(5 * SECOND, &far());
    let error = moved.differs_from(&stood, 4 * SECOND);
    assert!(error < WITHIN, "{error}");
    let mut other = Player::new(Layout::StereoToStereo, &input, other);
    other.play_to(5 * SECOND, &near());
    assert!(moved.differs_from(&other, 4 * SECOND) > 100.0 * WITHIN, "the control, another seat");
}

#[test]
fn a_jump_in_silence_is_over_when_the_sound_comes_back() {
    // Jumps two seconds into the silence, 50 ms before the next sound.
    let (silence, jump) = (SECOND..3 * SECOND + 5, 3 * SECOND);
    let input = noise(4 * SECOND * GRID_FRAMES, silence.clone());
    for layout in LAYOUTS {
        let mut supplies = [(); 3].map(|()| BuildAtOnce::default());
        let [moved, stood, other] = &mut supplies;
        let mut moved = Player::new(layout, &input, moved);
        moved.play_to(jump, &near());
        moved.play_to(4 * SECOND, &far());
        let mut stood = Player::new(layout, &input, stood);
        stood.play_to(4 * SECOND, &far());
        let error = moved.differs_from(&stood, silence.end);
        assert!(error < WITHIN, "{layout:?}: {error}");
        let mut other = Player::new(layout, &input, other);
        other.play_to(4 * SECOND, &near());
        assert!(moved.differs_from(&other, silence.end) > 100.0 * WITHIN, "{layout:?}: the control");
    }
}

/// The tail is there as soon as the balance lets it through, not after its slow steps.
///
/// Held against an engine that had the balance all along and heard nothing
/// before: delays read between samples for 18 grid steps after any change, and
/// a quarter of a second later the shortest tail has forgotten the difference
/// (75 dB at mid frequencies; faces of plasterboard leave the low ones no more).
/// Slow steps would have taken 32 grid steps.
#[test]
fn a_tail_that_comes_back_with_the_balance_is_there_at_once() {
    let of = |balance_pct: f64| {
        let mut settings = far();
        let platform = &mut settings.platform;
        platform.decay_s = 0.2;
        [platform.floor, platform.rear, platform.sides, platform.canopy] = [Finish::Plasterboard; 4];
        settings.level.balance_pct = balance_pct;
        settings
    };
    // One step after a slow step of the tail, which are 16 grid steps apart: the longest wait for the next.
    let back = 16 * 8 + 1;
    let input = noise(2 * back * GRID_FRAMES, 0..0);
    let input_later = noise(2 * back * GRID_FRAMES, 0..back);
    let compared = back + 18 + SECOND / 4;
    for layout in [Layout::MonoToMono, Layout::MonoToStereo] {
        let mut supplies = [(); 3].map(|()| BuildAtOnce::default());
        let [moved, stood, other] = &mut supplies;
        let mut moved = Player::new(layout, &input, moved);
        moved.play_to(back, &of(0.0));
        moved.play_to(2 * back, &of(50.0));
        let mut stood = Player::new(layout, &input_later, stood);
        stood.play_to(2 * back, &of(50.0));
        let error = moved.differs_from(&stood, compared);
        assert!(error < WITHIN, "{layout:?}: {error}");
        let mut other = Player::new(layout, &input_later, other);
        other.play_to(2 * back, &of(45.0));
        assert!(moved.differs_from(&other, compared) > 10.0 * WITHIN, "{layout:?}: the control");
    }
}

/// Two jumps within a fade, to delays far beyond those before: each tap reads what was played then.
#[test]
fn jumps_to_longer_delays_find_what_was_played_before() {
    let room = |width_m: f64, depth_m: f64, seat_m: f64| {
        let mut settings = near();
        settings.platform.width_m = width_m;
        settings.platform.depth_m = depth_m;
        settings.seat.depth_m = seat_m;
        // The level follows what is diffuse slowly; what follows the room does not.
        settings.level.law_pct = 100.0;
        settings
    };
    let input = noise(3 * SECOND * GRID_FRAMES, 0..0);
    for layout in [Layout::MonoToMono, Layout::MonoToStereo] {
        for (name, steps) in [
            ("wider", vec![room(18.0, 11.0, 5.0), room(30.0, 11.0, 5.0)]),
            ("nearer, twice", vec![room(22.0, 25.0, 24.7), room(22.0, 25.0, 20.0), room(22.0, 25.0, 0.5)]),
        ] {
            let (mut silent, mut silent_too) = (NoTail, NoTail);
            let mut moved = Player::new(layout, &input, &mut silent);
            let last = steps.len() - 1;
            for (n, settings) in steps.iter().enumerate() {
                // 21 ms from one jump to the next.
                moved.play_to(if n == last { 3 * SECOND } else { SECOND + 2 * n }, settings);
            }
            let mut stood = Player::new(layout, &input, &mut silent_too);
            // Any change keeps delays from being rounded for a while: both engines then read between samples.
            let mut unlike = steps[last];
            unlike.tone.low_mid_hz += 10.0;
            let jumped = SECOND + 2 * (last - 1);
            stood.play_to(jumped, &unlike);
            stood.play_to(3 * SECOND, &steps[last]);
            // A fade of 50 ms for each jump, five grid steps, and two for the glides.
            let faded = jumped + 5 * last + 2;
            let error = moved.differs_from(&stood, faded);
            assert!(error < WITHIN, "{layout:?}, {name}: {error}");
            let fading = moved.differs_from(&stood, SECOND);
            assert!(fading > 100.0 * WITHIN, "{layout:?}, {name}: the control, {fading} before");
        }
    }
}

/// A tail that is replaced, and replaced again, while the one before still rings out: nothing fails, all ends in silence.
#[test]
fn tails_that_are_replaced_in_silence_ring_out() {
    let of_decay = |decay_s: f64| {
        let mut settings = near();
        settings.platform.decay_s = decay_s;
        settings
    };
    let input = noise(8 * SECOND * GRID_FRAMES, SECOND..8 * SECOND);
    let mut supply = BuildAtOnce::default();
    let mut player = Player::new(Layout::MonoToStereo, &input, &mut supply);
    player.play_to(SECOND + SECOND / 2, &of_decay(2.0));
    player.play_to(SECOND + SECOND * 6 / 10, &of_decay(1.9));
    player.play_to(8 * SECOND, &of_decay(1.8));
    let sound = &player.heard[0];
    assert!(sound[SECOND * GRID_FRAMES + 480..][..480].iter().any(|x| x.abs() > 1e-3), "a tail is heard");
    assert!(sound[6 * SECOND * GRID_FRAMES..].iter().all(|&x| x == 0.0), "and ends");
}
