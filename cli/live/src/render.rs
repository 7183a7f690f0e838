//! The same script into a file: what the seat's chain and the hall put out, before level and ceiling.

use std::sync::Arc;

use anyhow::{Result, ensure};
use rostra::chain::Wanted;
use rostra_recording::Recording;

use crate::moves::Moves;
use crate::player::{Part, Player, Start};
use crate::scene::Scene;
use crate::sound_loop::SoundLoop;

/// Frames made at once (our choice; the sound does not depend on it).
const BLOCK_FRAMES: usize = 512;
/// Longest render, s: an hour (our choice; it bounds the memory).
pub const LONGEST_S: f64 = 3600.0;

/// Renders a loop from a scene on, with moves: for `seconds`, again and again, or once with what rings on after it.
///
/// The samples are those that the plug-in puts out for the same loop with its
/// parameters automated at the same frames; a hall adds what it answers.
///
/// # Errors
/// When the engine does not run at the loop's rate, or the time is none.
pub fn render(
    sound: SoundLoop,
    scene: &Scene,
    moves: Option<&Moves>,
    seconds: Option<f64>,
) -> Result<Recording> {
    if let Some(seconds) = seconds {
        ensure!(
            seconds > 0.0 && seconds <= LONGEST_S,
            "--seconds {seconds}: a render must be longer than 0 and at most {LONGEST_S} s"
        );
    }
    let (rate_hz, loop_frames) = (sound.rate_hz, sound.frames());
    let placement = scene.placement();
    // What stands at the first frame needs no fade: the tail is there from the start.
    let first_move = moves.and_then(|moves| moves.moves.iter().rev().find(|at| at.at_s == 0.0));
    let placement = first_move.map_or(placement, |at| at.scene.placement());
    let wanted = Wanted { settings: placement.settings, ..Wanted::default() };
    let part = Part::of_loop(sound, true, &wanted, Arc::default())?;
    let start = Start { part, rate_hz, wanted, placement, moves, is_offline: true, level: 1.0 };
    let (mut player, _lead) = Player::new(start)?;
    let mut channels = [Vec::new(), Vec::new()];
    let mut play = |player: &mut Player, frames: usize| {
        let [left, right] = &mut channels;
        let start = left.len();
        left.resize(start + frames, 0.0);
        right.resize(start + frames, 0.0);
        let blocks = left[start..].chunks_mut(BLOCK_FRAMES).zip(right[start..].chunks_mut(BLOCK_FRAMES));
        blocks.for_each(|(left, right)| player.place(left, right));
    };
    if let Some(seconds) = seconds {
        play(&mut player, (seconds * f64::from(rate_hz)).round() as usize);
    } else {
        play(&mut player, loop_frames);
        player.end_loop();
        let tail_frames = player.tail_frames();
        play(&mut player, tail_frames);
    }
    Ok(Recording { rate_hz, channels: channels.into() })
}
