//! After silence nothing is remembered: the next sound of a stereo channel starts as if it were its first.

use rostra_dsp::Settings;
use rostra_dsp::engine::{Config, Engine, Layout};
use rostra_dsp::extremes::largest;
use rostra_dsp::kernel::Noise;
use rostra_dsp::tail::BuildAtOnce;

const RATE_HZ: f64 = 48_000.0;
/// Frames of a sound: no multiple of anything of the engine's.
const SOUND_FRAMES: usize = 12_007;

type Sides = [Vec<f32>; 2];

/// A channel with the tone in use, whose filters ring.
fn settings() -> Settings {
    let mut settings = Settings::default();
    settings.tone.close_mic_m = Some(0.4);
    settings.tone.low_mid_db = -6.0;
    settings
}

/// Plays sounds one after the other in blocks of `block` frames.
fn play(sounds: &[&Sides], block: usize) -> Sides {
    let config = Config { sample_rate_hz: RATE_HZ, layout: Layout::StereoToStereo };
    let mut engine = Engine::prepare(config).expect("the rate is in range");
    engine.reset();
    let mut supply = BuildAtOnce::default();
    let [mut left, mut right] =
        [0, 1].map(|side| sounds.iter().flat_map(|sound| &sound[side]).copied().collect::<Vec<f32>>());
    for (left, right) in left.chunks_mut(block).zip(right.chunks_mut(block)) {
        engine.process(&settings(), &mut supply, &mut [left, right]);
    }
    [left, right]
}

fn silence(frames: usize) -> Sides {
    [vec![0.0; frames], vec![0.0; frames]]
}

/// Returns how far the last sound of each is from that of the other.
fn apart(a: &Sides, b: &Sides) -> f32 {
    let last = |sound: &[f32]| sound[sound.len() - SOUND_FRAMES..].to_vec();
    largest(
        a.iter().zip(b).flat_map(|(a, b)| {
            last(a).into_iter().zip(last(b)).map(|(a, b)| (a - b).abs()).collect::<Vec<_>>()
        }),
    )
}

#[test]
fn a_sound_after_silence_starts_as_if_it_were_the_first() {
    let mut noise = Noise::new(9);
    let mut side = || -> Vec<f32> { (0..SOUND_FRAMES).map(|_| (0.2 * noise.gaussian()) as f32).collect() };
    let (one, other) = (side(), side());
    let centred = [one.clone(), one.clone()];
    let wide = [other, one];
    // Three seconds: longer than the tail.
    let long = silence((3.0 * RATE_HZ) as usize + 5);
    let before = silence(SOUND_FRAMES);
    for (name, first, second) in [("wide", &centred, &wide), ("centred", &wide, &centred)] {
        let fresh = play(&[&before, &long, second], 512);
        let peak = largest(fresh.iter().flatten().map(|x| x.abs()));
        assert!(peak > 0.3, "{name}: the sound is not silence");
        for block in [512, 64, 333] {
            let off = apart(&play(&[first, &long, second], block), &fresh);
            eprintln!("{name} after silence, blocks of {block}: {off:.1e} of {peak:.2}");
            assert!(off <= 1e-6, "{name}, blocks of {block}: {off} of {peak}");
        }
    }
    // The control: right after a centred sound a wide one starts as one point.
    let fresh = play(&[&before, &wide], 512);
    let after = play(&[&silence(SOUND_FRAMES), &centred, &wide], 512);
    assert!(apart(&after, &fresh) > 0.1);
}

/// A pause of a few milliseconds up to half a second: nothing jumps where sources change while the lines still sound.
#[test]
fn no_pause_makes_a_step() {
    let tone = |frames: usize, at: usize| -> Vec<f32> {
        (0..frames).map(|n| 0.3 * (0.03 * (n + at) as f32).sin()).collect()
    };
    let faded = |mut sound: Vec<f32>| {
        let frames = sound.len();
        for n in 0..2400 {
            let gain = n as f32 / 2400.0;
            sound[n] *= gain;
            sound[frames - 1 - n] *= gain;
        }
        sound
    };
    let steepest = |sound: &[f32]| largest(sound.windows(3).map(|w| (w[2] - 2.0 * w[1] + w[0]).abs()));
    let (a, b) = (faded(tone(SOUND_FRAMES, 0)), faded(tone(SOUND_FRAMES, 50)));
    let (centred, wide) = ([a.clone(), a.clone()], [b, a]);
    // Each by itself bends no more than this; both at once no more than twice.
    let bound = [&centred, &wide].map(|sound| play(&[sound, &silence(48_000)], 512));
    let bound = largest(bound.iter().flatten().map(|side| steepest(side)));
    for pause in [100, 2_399, 2_400, 2_401, 4_000, 24_000] {
        for sounds in [[&centred, &wide], [&wide, &centred]] {
            let heard = play(&[sounds[0], &silence(pause), sounds[1], &silence(24_000)], 512);
            let got = largest(heard.iter().map(|side| steepest(side)));
            assert!(got <= 2.0 * bound, "a pause of {pause}: bends by {got}, alone by {bound}");
        }
    }
}
