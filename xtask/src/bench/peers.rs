//! The engine's peer beside it: a fixed stereo response as long as the tail.

use std::sync::Arc;

use anyhow::{Context as _, Result};
use rostra_bench::{Input, Movement, Peer, PeerForm, RATE_HZ, TailAlone, TailMaker, tail_spec};
use rostra_dsp::kernel::InstructionSet;

use super::budget;
use super::clock::{Effort, time_blocks};
use super::engine::{self, BLOCK, DECAY_S};
use super::report::{Figure, Timed};

/// Blocks of the host, frames.
const BLOCKS: [usize; 3] = [64, 128, 512];
/// Frames of the peer's response: 0.5 s at 48 kHz.
const RESPONSE_FRAMES: usize = (DECAY_S * RATE_HZ) as usize;
/// The row of our tail.
const TAIL: &str = "Rostra's tail alone, two inputs";

/// Measures peers and the tail alone.
///
/// # Errors
/// When the peer refuses a block.
pub(super) fn measure(effort: &Effort) -> Result<Vec<Timed>> {
    let spectra = TailMaker::default().make(&tail_spec(RATE_HZ, DECAY_S));
    let mut rows = Vec::new();
    for block_frames in BLOCKS {
        let effort = effort.of(block_frames == BLOCK);
        for form in PeerForm::ALL {
            let mut peer = Peer::new(form, block_frames, RESPONSE_FRAMES).context("the peer")?;
            let timing = time_blocks(&mut peer, block_frames, block_frames, effort);
            rows.push(Timed::new(name(form), (RATE_HZ, block_frames), 1, timing, None));
        }
        let mut tail = TailAlone::new(Arc::clone(&spectra), block_frames);
        let timing = time_blocks(&mut tail, block_frames, block_frames, effort);
        rows.push(Timed::new(TAIL, (RATE_HZ, block_frames), 1, timing, None));
    }
    Ok(rows)
}

fn name(form: PeerForm) -> String {
    format!("fft-convolver 0.4, {}", form.name())
}

/// Reads off how many times dearer the peer is than the whole engine (mono, still) and than the tail alone.
pub(super) fn figures(rows: &[Timed], engine: &[Timed]) -> Vec<Figure> {
    let is_wide = InstructionSet::widest().is_wide();
    let find = |what: &str, block| rows.iter().find(|row| row.what == what && row.block_frames == block);
    let mut figures = Vec::new();
    for block in BLOCKS {
        for form in PeerForm::ALL {
            let peer = find(&name(form), block);
            let whole = engine::find(engine, Input::Mono, Movement::Still, is_wide, block);
            let (Some(peer), Some(whole), Some(tail)) = (peer, whole, find(TAIL, block)) else { continue };
            let times = |ours: &Timed| peer.timing.least_ns_per_frame / ours.timing.least_ns_per_frame;
            let what = format!("{}, blocks of {block} / the whole engine, mono, still", peer.what);
            let budget = match form {
                PeerForm::Uniform => budget::UNIFORM_TIMES,
                PeerForm::TwoStage => budget::TWO_STAGE_TIMES,
            };
            figures.push(if block == BLOCK {
                Figure::held(what, times(whole), "times", budget)
            } else {
                Figure::told(what, times(whole), "times")
            });
            figures.push(Figure::told(
                format!("{}, blocks of {block} / the tail alone", peer.what),
                times(tail),
                "times",
            ));
        }
    }
    figures
}
