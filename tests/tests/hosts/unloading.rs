//! Hosts unload a plug-in while threads that ran in it live on.

use super::clap_host::{Clap, Start};
use super::sound::{Sound, assert_sounds, noise_burst};
use super::vst3_host::Vst3;

/// Rounds of making, using, freeing: the second finds the library unloaded by the first.
const ROUNDS: usize = 3;

/// Renders on a thread that ends after the plug-in was freed on it.
fn on_a_thread_that_ends(render: fn() -> Sound) {
    for _ in 0..ROUNDS {
        let sound = std::thread::spawn(render).join().expect("the thread ends in peace");
        assert_sounds(&sound);
    }
}

/// An audio thread belongs to the host: it may end long after the plug-in was unloaded.
///
/// Rust's standard library leaves a destructor with every thread that used it,
/// and that destructor lies in the plug-in. Were the library really gone by
/// then, the thread's end would take the host down.
#[test]
fn an_audio_thread_may_end_after_the_plug_in_was_unloaded() {
    for is_offline in [true, false] {
        let playing = Clap::new().start(Start { is_offline, ..Start::STEREO });
        assert_sounds(&playing.outlived_by_its_audio_thread(&noise_burst(2)));
    }
}

#[test]
fn a_thread_may_end_after_it_freed_the_clap() {
    on_a_thread_that_ends(|| {
        let mut playing = Clap::new().start(Start::STEREO);
        let sound = playing.render(&noise_burst(2), &[]);
        playing.stop();
        sound
    });
}

#[test]
fn a_thread_may_end_after_it_freed_the_vst3() {
    on_a_thread_that_ends(|| {
        let state = Clap::new().save();
        Vst3::new(2, 2, &state[8..]).render(&noise_burst(2))
    });
}
