//! Hosts unload a plug-in while threads that ran in it live on.

use super::clap_host::{Clap, Start};
use super::sound::{assert_sounds, noise_burst};

/// An audio thread belongs to the host: it may end long after the plug-in was unloaded.
///
/// Rust's standard library leaves a destructor with every thread that used it,
/// and that destructor lies in the plug-in. Were the library really gone by
/// then, the thread's end would take the host down.
#[test]
fn a_thread_of_the_host_may_end_after_the_plug_in_was_unloaded() {
    for is_offline in [true, false] {
        let playing = Clap::new().start(Start { is_offline, ..Start::STEREO });
        assert_sounds(&playing.outlived_by_its_audio_thread(&noise_burst(2)));
    }
}
