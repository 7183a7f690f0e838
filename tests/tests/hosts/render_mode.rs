//! The mode of rendering, told before activation or after: a render has the same bits.

use std::ffi::CStr;

use clack_extensions::render::{PluginRender, RenderMode};
use vst3::Steinberg::kResultOk;

use super::clap_host::{Clap, Playing, Start};
use super::raw_vst3::{Block, Changes, HALL, OFFLINE, REALTIME, RawVst3, SEAT};
use super::sound::{Sound, assert_same_bits, assert_sounds, noise_burst};
use super::vst3_host::raw;

const FRAMES: usize = 512;
const RENDERS: usize = 4;

/// When a host tells that it renders.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Told {
    Before,
    /// Once it is active, before it processes.
    Active,
    /// Between two blocks.
    Playing,
}

/// Decays that come while it renders, each with a tail of its own, and their frames.
const DECAYS: [(usize, f64); 4] = [(2_000, 0.1), (9_000, 0.35), (17_000, 0.05), (30_000, 0.6)];

fn clap_render(id: &CStr, told: Told) -> Sound {
    let mut clap = Clap::of(id);
    let decay = clap.parameters().into_iter().find(|found| found.name == "Decay").expect("a decay");
    let changes: Vec<_> = DECAYS
        .iter()
        .map(|&(at, share)| (at, decay.id, decay.least + share * (decay.most - decay.least)))
        .collect();
    let start = Start { block_frames: FRAMES, is_offline: told == Told::Before, ..Start::STEREO };
    let mut playing = clap.start(start);
    if told == Told::Active {
        tell(&mut playing, RenderMode::Offline);
    }
    let noise = noise_burst(2);
    let head: Sound = noise.iter().map(|channel| channel[..FRAMES].to_vec()).collect();
    let mut sound = playing.render(&head, &[]);
    if told == Told::Playing {
        tell(&mut playing, RenderMode::Offline);
    }
    let rest: Sound = noise.iter().map(|channel| channel[FRAMES..].to_vec()).collect();
    for (channel, rest) in sound.iter_mut().zip(playing.render_automated(&rest, &changes)) {
        channel.extend(rest);
    }
    // Back to playing, and once more: nothing breaks.
    tell(&mut playing, RenderMode::Realtime);
    assert!(playing.render(&head, &[]).iter().flatten().all(|x| x.is_finite()));
    tell(&mut playing, RenderMode::Offline);
    assert!(playing.render(&head, &[]).iter().flatten().all(|x| x.is_finite()));
    playing.stop();
    sound
}

fn tell(playing: &mut Playing, mode: RenderMode) {
    let render = playing.instance.extension::<PluginRender>();
    render.set(&playing.instance.plugin.plugin_handle(), mode).expect("the mode is taken");
}

fn vst3_render(class: &[u8; 16], told: Told) -> Sound {
    let vst3: RawVst3 = raw(class);
    let decay = vst3.id("Decay");
    let set_up = |mode| assert_eq!(vst3.set_up(48_000.0, FRAMES as i32, mode), kResultOk);
    set_up(if told == Told::Before { OFFLINE } else { REALTIME });
    assert_eq!(vst3.activate(true), kResultOk);
    if told == Told::Active {
        set_up(OFFLINE);
    }
    assert_eq!(vst3.play(true), kResultOk);
    let noise = noise_burst(2);
    let mut sound: Sound = vec![Vec::new(); 2];
    for at in (0..noise[0].len() - FRAMES).step_by(FRAMES) {
        let mut block = Block::new(2, 2, FRAMES);
        for (taken, channel) in block.input.iter_mut().zip(&noise) {
            taken.copy_from_slice(&channel[at..at + FRAMES]);
        }
        let points: Vec<_> = DECAYS
            .iter()
            .filter(|(frame, _)| (at..at + FRAMES).contains(frame))
            .map(|&(frame, share)| ((frame - at) as i32, share))
            .collect();
        block.change(Changes::new([(decay, points)]));
        assert_eq!(vst3.process(&mut block.data()), kResultOk);
        for (channel, given) in sound.iter_mut().zip(&block.output) {
            channel.extend_from_slice(given);
        }
        if told == Told::Playing && at == 0 {
            set_up(OFFLINE);
        }
    }
    vst3.stop();
    sound
}

#[test]
fn a_clap_renders_the_same_whenever_it_is_told() {
    for id in [c"rostra.seat", c"rostra.hall"] {
        let expected = clap_render(id, Told::Before);
        assert_sounds(&expected);
        for told in [Told::Active, Told::Playing] {
            for n in 0..RENDERS {
                assert_same_bits(&format!("{id:?}, {told:?}, render {n}"), &clap_render(id, told), &expected);
            }
        }
    }
}

#[test]
fn a_vst3_renders_the_same_whenever_it_is_told() {
    for class in [SEAT, HALL] {
        let expected = vst3_render(&class, Told::Before);
        assert_sounds(&expected);
        for told in [Told::Active, Told::Playing] {
            for n in 0..RENDERS {
                assert_same_bits(&format!("{told:?}, render {n}"), &vst3_render(&class, told), &expected);
            }
        }
    }
}
