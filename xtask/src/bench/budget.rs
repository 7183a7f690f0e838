//! The budgets: one core of an ordinary machine, 48 kHz, blocks of 128, release, no special CPU flags.

use rostra_bench::Input;
use serde::Serialize;

/// A bound on a figure.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Budget {
    /// The figure may be this at most.
    AtMost(f64),
    /// The figure must be this at least.
    AtLeast(f64),
}

impl Budget {
    /// Says whether a figure holds it.
    pub(crate) fn holds(self, figure: f64) -> bool {
        match self {
            Self::AtMost(bound) => figure <= bound,
            Self::AtLeast(bound) => figure >= bound,
        }
    }

    /// Returns it as it stands in a table.
    pub(crate) fn shown(self) -> String {
        match self {
            Self::AtMost(bound) => format!("<= {bound}"),
            Self::AtLeast(bound) => format!(">= {bound}"),
        }
    }
}

/// An instance standing still, 0.5 s tail, ns per frame; `is_wide` says whether AVX2 was found at run time.
pub(crate) const fn still_ns_per_frame(input: Input, is_wide: bool) -> Budget {
    Budget::AtMost(match (input, is_wide) {
        (Input::Mono, true) => 40.0,
        (Input::Mono, false) | (Input::Alike | Input::Stereo, true) => 55.0,
        (Input::Alike | Input::Stereo, false) => 70.0,
    })
}

/// Depth automated all the time, against standing still.
pub(crate) const MOVING_TIMES: Budget = Budget::AtMost(1.6);
/// A section of eight players, against one player.
pub(crate) const SECTION_TIMES: Budget = Budget::AtMost(1.5);
/// Each of 100 instances in one thread on shared spectra, ns per frame.
pub(crate) const HUNDRED_NS_PER_FRAME: Budget = Budget::AtMost(75.0);
/// The hall, one instance a session, at a decay of 3.5 s, ns per frame.
pub(crate) const HALL_NS_PER_FRAME: Budget = Budget::AtMost(60.0);
/// Worst block against median block, quiet core.
pub(crate) const UNEVENNESS: Budget = Budget::AtMost(2.0);
/// A seat plan, us.
pub(crate) const PLAN_US: Budget = Budget::AtMost(2.0);
/// New tail spectra, off the audio thread, ms.
pub(crate) const TAIL_MS: Budget = Budget::AtMost(2.0);
/// Loading the binary and making an instance, ms.
pub(crate) const LOAD_MS: Budget = Budget::AtMost(30.0);
/// Latency: from a click to the first sound of it, frames.
pub(crate) const LATENCY_FRAMES: Budget = Budget::AtMost(0.0);
/// Uniform partitions of the peer against the whole engine, blocks of 128.
pub(crate) const UNIFORM_TIMES: Budget = Budget::AtLeast(6.0);
/// Its two-stage form against the whole engine, blocks of 128.
pub(crate) const TWO_STAGE_TIMES: Budget = Budget::AtLeast(1.8);

/// Memory of an instance after the first on a platform, MiB.
pub(crate) const fn further_mib(input: Input) -> Budget {
    Budget::AtMost(match input {
        Input::Mono => 0.6,
        Input::Alike | Input::Stereo => 1.2,
    })
}
