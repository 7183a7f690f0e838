//! Two hundred seats and four halls at once: on eight audio threads, while the main thread makes, saves, loads and destroys
//! others.
//!
//! CLAP has one main thread: making and destroying from several at once is against the standard, and so is calling a
//! VST3's factory from several, which nobody promises. Some hosts look through plug-ins on threads of their
//! own all the same, so the last test does it, at the host's own risk.

use rostra_dsp::extremes::larger;
use std::ffi::CStr;
use std::sync::Arc;
use std::sync::mpsc::TryRecvError;

use super::audio_thread::AudioThread;
use super::clap_host::{Clap, Start, process};
use super::equality::SEAT;
use super::sound::{Sound, assert_sounds, largest_difference, noise_burst};
use super::vst3_host::Vst3;

const THREADS: usize = 8;
const SEATS: usize = 200;
const HALLS: usize = 4;
/// Different seats among them; the others equal one of these.
const DEPTHS: [&str; 8] = ["2 m", "3 m", "4 m", "5.5 m", "7 m", "8.5 m", "10 m", "11 m"];
/// Seconds that each instance plays, unless `ROSTRA_CROWD_S` says otherwise.
const PLAYED_S: f64 = 0.4;
/// Largest difference of instances that are set alike (design, any split).
const SAME: f32 = 1e-6;
/// Least difference of different ones.
const CHANGED: f32 = 1e-3;

const LIVE: Start = Start { is_offline: false, ..Start::STEREO };

fn played_s() -> f64 {
    std::env::var("ROSTRA_CROWD_S").ok().and_then(|seconds| seconds.parse().ok()).unwrap_or(PLAYED_S)
}

/// Noise, and the silence after it, over and over.
fn input(seconds: f64) -> Sound {
    let burst = noise_burst(2);
    let frames = (seconds * 48_000.0) as usize;
    burst
        .into_iter()
        .map(|channel| channel[24_000..].iter().copied().cycle().take(frames).collect())
        .collect()
}

fn seat(number: usize) -> Clap {
    let mut settings = SEAT;
    settings[0].1 = DEPTHS[number % DEPTHS.len()];
    let mut clap = Clap::new();
    clap.set(&settings);
    clap
}

/// Holds instances that are set alike against each other; returns the largest difference.
fn assert_alike(sounds: &[Sound], kinds: usize) -> f32 {
    let mut worst = 0.0_f32;
    for (number, sound) in sounds.iter().enumerate() {
        assert!(sound.iter().flatten().all(|x| x.is_finite() && !x.is_subnormal()), "instance {number}");
        worst = larger(worst, largest_difference(&sounds[number % kinds], sound));
    }
    for (first, second) in sounds[..kinds].iter().zip(&sounds[1..kinds]) {
        assert!(largest_difference(first, second) > CHANGED, "different seats sound alike");
    }
    assert!(worst <= SAME, "instances that are set alike differ by {worst:e}");
    worst
}

/// A short life beside the others: made, saved, loaded, destroyed, sometimes while it is active.
fn pass_by(number: usize, id: &CStr) {
    let mut clap = Clap::of(id);
    let state = clap.save();
    clap.set(&[("Trim", "-3 dB")]);
    assert_ne!(clap.save(), state);
    assert!(clap.load(&state));
    let mut playing = clap.start(Start { is_offline: number.is_multiple_of(2), ..Start::STEREO });
    playing.render(&input(0.02), &[]);
    if number.is_multiple_of(3) {
        playing.destroy();
    } else {
        playing.stop();
    }
}

#[test]
fn two_hundred_seats_and_four_halls_play_at_once() {
    let input = Arc::new(input(played_s()));
    #[cfg(target_os = "linux")]
    let before_mib = super::memory::held_mib();
    let mut mains = Vec::new();
    let mut shares: Vec<Vec<_>> = (0..THREADS).map(|_| Vec::new()).collect();
    for number in 0..SEATS + HALLS {
        let clap = if number < SEATS { seat(number) } else { Clap::of(c"rostra.hall") };
        let (main, processor) = clap.start(LIVE).parted();
        mains.push(main);
        shares[number % THREADS].push((number, processor));
    }
    #[cfg(target_os = "linux")]
    eprintln!("{} instances hold {:.0} MiB", SEATS + HALLS, super::memory::held_mib() - before_mib);
    let threads: Vec<AudioThread> = (0..THREADS).map(|_| AudioThread::new()).collect();
    let played: Vec<_> = threads
        .iter()
        .zip(shares)
        .map(|(thread, share)| {
            let input = Arc::clone(&input);
            thread.begin(move || {
                let mut share: Vec<_> = share
                    .into_iter()
                    .map(|(number, processor)| (number, processor, vec![Vec::new(); 2]))
                    .collect();
                // One block of each, then the next, as a mixer goes through its channels.
                for at in (0..input[0].len()).step_by(LIVE.block_frames) {
                    let end = input[0].len().min(at + LIVE.block_frames);
                    let block: Sound = input.iter().map(|channel| channel[at..end].to_vec()).collect();
                    for (_, processor, sound) in &mut share {
                        let heard = process(processor, LIVE, at as u64, &block, &[]);
                        sound.iter_mut().zip(&heard).for_each(|(sound, heard)| sound.extend(heard));
                    }
                }
                share
            })
        })
        .collect();
    let mut passed_by = 0;
    let mut sounds = vec![Sound::new(); SEATS + HALLS];
    let mut mains: Vec<_> = mains.into_iter().map(Some).collect();
    for played in played {
        let share = loop {
            match played.try_recv() {
                Ok(share) => break share,
                Err(TryRecvError::Disconnected) => panic!("an audio thread panicked"),
                Err(TryRecvError::Empty) => {
                    pass_by(passed_by, if passed_by % 5 == 4 { c"rostra.hall" } else { c"rostra.seat" });
                    passed_by += 1;
                    let state = mains.iter_mut().flatten().nth(passed_by % 100).map(Clap::save);
                    assert!(state.is_none_or(|state| !state.is_empty()));
                }
            }
        };
        for (number, processor, sound) in share {
            let mut main = mains[number].take().expect("each plays once");
            main.plugin.deactivate(processor.stop_processing());
            sounds[number] = sound;
        }
    }
    for sound in &sounds {
        assert_sounds(sound);
    }
    let halls = sounds.split_off(SEATS);
    let seats = assert_alike(&sounds, DEPTHS.len());
    let halls = assert_alike(&halls, 1);
    eprintln!(
        "{} instances, {:.1} s of audio each, {passed_by} others came and went; set alike they differ by {seats:e} and {halls:e}",
        SEATS + HALLS,
        played_s()
    );
    assert!(passed_by > 0, "the main thread had nothing to do");
}

#[test]
fn vst3s_play_on_threads_while_others_come_and_go() {
    const VST3S: usize = 24;
    const VST3_THREADS: usize = 4;
    let input = input(played_s());
    let states: Vec<Vec<u8>> = (0..DEPTHS.len()).map(|number| seat(number).save()[8..].to_vec()).collect();
    let mut vst3s: Vec<Vst3> =
        (0..VST3S).map(|number| Vst3::new(2, 2, &states[number % states.len()])).collect();
    let mut sounds = vec![Sound::new(); VST3S];
    let mut passed_by = 0;
    std::thread::scope(|scope| {
        let share = VST3S / VST3_THREADS;
        let players: Vec<_> = vst3s
            .chunks_mut(share)
            .zip(sounds.chunks_mut(share))
            .map(|(vst3s, sounds)| {
                let input = &input;
                scope.spawn(move || {
                    for (vst3, sound) in vst3s.iter_mut().zip(sounds) {
                        *sound = vst3.render(input);
                    }
                })
            })
            .collect();
        while passed_by == 0 || players.iter().any(|player| !player.is_finished()) {
            let mut other = Vst3::new(2, 2, &states[passed_by % states.len()]);
            let state = other.plugin.save_state().expect("the state is saved");
            other.plugin.load_state(&state).expect("its own state is taken");
            passed_by += 1;
        }
    });
    for sound in &sounds {
        assert_sounds(sound);
    }
    let worst = assert_alike(&sounds, DEPTHS.len());
    eprintln!("{VST3S} VST3s, {passed_by} others came and went; set alike they differ by {worst:e}");
}

/// Against both standards, and done by hosts that look through plug-ins on worker threads.
#[test]
fn instances_made_and_destroyed_on_several_threads_do_not_mind() {
    const LIVES: usize = 6;
    std::thread::scope(|scope| {
        for thread in 0..4 {
            scope.spawn(move || {
                for number in 0..LIVES {
                    pass_by(thread + number, if thread == 3 { c"rostra.hall" } else { c"rostra.seat" });
                }
            });
        }
    });
}
