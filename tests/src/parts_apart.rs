//! Direct sound and platform as the engine renders them, one apart from the other, at one scale.

use rostra_dsp::Settings;
use rostra_dsp::engine::{Config, Engine, Layout};
use rostra_dsp::tail::BuildAtOnce;

/// Sample rate of what is rendered, Hz.
pub const RATE_HZ: f64 = 48_000.0;
/// Where the impulse goes in, s: long enough after the start that everything has settled and no filter's ringing is cut.
pub const IMPULSE_S: f64 = 0.5;
/// How much of the time before the impulse is kept, s.
pub const LEAD_S: f64 = 0.05;
/// Time in which nothing but direct sound has arrived, s: the floor's reflection of a source 1.2 m up is 1.4 ms late at the
/// far end of the deepest platform tried.
const ALONE_S: f64 = 0.5e-3;

/// Direct sound and platform of one seat, left and right, from [`LEAD_S`] before the impulse on.
pub struct Parts {
    /// The direct sound.
    pub direct: [Vec<f64>; 2],
    /// All else: reflections and tail.
    pub platform: [Vec<f64>; 2],
}

/// Renders a seat and takes direct sound and platform apart; both are at the scale of balance 50, where both are whole.
///
/// The level of what is heard may depend on the balance in any way: the direct
/// sound alone (balance 0) is brought to the level that it has in the whole
/// (balance 50) by the first half millisecond, in which nothing else sounds, and
/// taken off. No rule of the engine is read for that.
pub fn direct_and_platform(settings: &Settings, seconds: f64, supply: &mut BuildAtOnce) -> Parts {
    let mut render = |balance_pct: f64| {
        let mut settings = *settings;
        settings.level.balance_pct = balance_pct;
        rendered(&settings, seconds, supply)
    };
    let (direct, whole) = (render(0.0), render(50.0));
    let from = (LEAD_S * RATE_HZ) as usize;
    let alone = from..from + (ALONE_S * RATE_HZ) as usize;
    let (mut product, mut square) = (0.0, 0.0);
    for (direct, whole) in direct.iter().zip(&whole) {
        for (d, w) in direct[alone.clone()].iter().zip(&whole[alone.clone()]) {
            product += d * w;
            square += d * d;
        }
    }
    assert!(square > 1e-6, "the direct sound is not silence");
    let scale = product / square;
    let direct = direct.map(|channel| channel.iter().map(|x| scale * x).collect::<Vec<f64>>());
    let platform = std::array::from_fn(|channel| {
        whole[channel].iter().zip(&direct[channel]).map(|(w, d)| w - d).collect()
    });
    Parts { direct, platform }
}

/// Renders an impulse at [`IMPULSE_S`], mono to stereo, and returns `seconds` after it and [`LEAD_S`] before it.
pub fn rendered(settings: &Settings, seconds: f64, supply: &mut BuildAtOnce) -> [Vec<f64>; 2] {
    const BLOCK_FRAMES: usize = 512;
    let config = Config { sample_rate_hz: RATE_HZ, layout: Layout::MonoToStereo };
    let mut engine = Engine::prepare(config).expect("the rate is in range");
    engine.reset();
    let impulse = (IMPULSE_S * RATE_HZ) as usize;
    let frames = impulse + (seconds * RATE_HZ) as usize;
    let (mut left, mut right) = (vec![0.0_f32; frames], vec![0.0_f32; frames]);
    left[impulse] = 1.0;
    for (left, right) in left.chunks_mut(BLOCK_FRAMES).zip(right.chunks_mut(BLOCK_FRAMES)) {
        engine.process(settings, supply, &mut [left, right]);
    }
    let from = impulse - (LEAD_S * RATE_HZ) as usize;
    [left, right].map(|channel| channel[from..].iter().map(|&x| f64::from(x)).collect())
}
