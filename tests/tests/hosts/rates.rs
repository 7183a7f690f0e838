//! Sample rates: what cannot be played is refused where each format expects it, and changes nothing.

use clack_host::prelude::*;
use rostra_dsp::engine::check_sample_rate;
use vst3::Steinberg::kResultOk;

use super::clap_host::Clap;
use super::raw_vst3::{HALL, OFFLINE, REALTIME, SEAT, render};
use super::sound::{Sound, assert_same_bits, assert_sounds, noise_burst};
use super::vst3_host::raw;

const FRAMES: usize = 256;

/// Rates, Hz: none, too low, the ends of what sounds have, between, too high.
const RATES_HZ: [f64; 22] = [
    f64::NAN,
    f64::NEG_INFINITY,
    -48_000.0,
    0.0,
    1.0,
    300.0,
    999.0,
    1_000.0,
    1_234.567_8,
    8_000.0,
    11_025.0,
    22_050.0,
    44_100.0,
    48_000.0,
    96_000.0,
    192_000.0,
    384_000.0,
    705_600.0,
    768_000.0,
    768_100.0,
    1e12,
    f64::INFINITY,
];

#[test]
fn the_vst3_refuses_a_rate_when_it_is_set_up() {
    for class in [SEAT, HALL] {
        let mut taken = 0;
        for rate_hz in RATES_HZ {
            let vst3 = raw(&class);
            let is_taken = vst3.set_up(rate_hz, FRAMES as i32, REALTIME) == kResultOk;
            assert_eq!(is_taken, check_sample_rate(rate_hz).is_ok(), "{rate_hz} Hz");
            // What is taken can be activated; before any rate was taken, nothing can.
            assert_eq!(vst3.activate(true) == kResultOk, is_taken, "{rate_hz} Hz: activated");
            taken += usize::from(is_taken);
            assert_eq!(vst3.activate(false), kResultOk);
        }
        assert!((4..RATES_HZ.len() - 7).contains(&taken), "{taken} rates are taken");
    }
}

#[test]
fn the_clap_refuses_a_rate_when_it_is_activated() {
    for id in [c"rostra.seat", c"rostra.hall"] {
        for rate_hz in RATES_HZ {
            let mut clap = Clap::of(id);
            let configuration = PluginAudioConfiguration {
                sample_rate: rate_hz,
                min_frames_count: 1,
                max_frames_count: FRAMES as u32,
            };
            let activated = clap.plugin.activate(|_, _| (), configuration);
            assert_eq!(activated.is_ok(), check_sample_rate(rate_hz).is_ok(), "{rate_hz} Hz");
            if let Ok(stopped) = activated {
                clap.plugin.deactivate(stopped);
            }
        }
    }
}

/// A question on the way changes nothing of what plays.
#[test]
fn a_refused_rate_changes_nothing_of_a_vst3_that_plays() {
    let noise: Sound = noise_burst(2).into_iter().map(|channel| channel[..9600].to_vec()).collect();
    let sound = |is_asked: bool| {
        let vst3 = raw(&SEAT);
        vst3.start(48_000.0, FRAMES as i32, OFFLINE);
        let mut sound = render(&vst3, &noise, 2, FRAMES);
        if is_asked {
            assert_ne!(vst3.set_up(1.0, FRAMES as i32, OFFLINE), kResultOk);
            assert_ne!(vst3.set_up(48_000.0, -1, OFFLINE), kResultOk);
        }
        for (channel, rest) in sound.iter_mut().zip(render(&vst3, &noise, 2, FRAMES)) {
            channel.extend(rest);
        }
        vst3.stop();
        sound
    };
    let expected = sound(false);
    assert_sounds(&expected);
    assert_same_bits("after a refusal", &sound(true), &expected);
}
