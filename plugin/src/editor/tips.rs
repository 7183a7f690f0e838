//! What each control does, in plain trade words.

use super::values::{List, Switch};
use crate::quantity::Number;

/// Returns what a number does.
pub(super) fn tip_of_number(number: &Number) -> &'static str {
    match number.id {
        "depth" => {
            "How far upstage the player sits, from the front edge. Deeper is later, darker and has more platform."
        }
        "bearing" => "Direction of the player from the main microphones; positive to the audience's right.",
        "riser" => "Height of the riser under the player.",
        "facing" => {
            "Which way the player faces: 0 towards the main microphones, 180 away from them; positive to the audience's right."
        }
        "width" => "Distance on the platform between the left and right ends of a stereo recording.",
        "plat_w" => "Side wall to side wall.",
        "plat_d" => "Front edge to rear wall.",
        "plat_h" => "Floor to canopy.",
        "decay" => {
            "Time for the platform's sound to fall by 60 dB, mean of 500 Hz and 1 kHz. Players and chairs absorb what the finishes alone would leave ringing."
        }
        "pick_y" => "How far upstage of the front edge the main microphones stand.",
        "pick_z" => "Height of the main microphones above the floor.",
        "air" => "How strongly air absorbs the highs: 1 is real air, 0 turns it off.",
        "temp" => "Temperature of the air; it sets the speed of sound and the air absorption.",
        "humid" => "Relative humidity; drier air absorbs more of the highs.",
        "close" => {
            "Distance of the close microphone that recorded the dry sound. Its proximity effect is removed; off leaves it in."
        }
        "lowmid_f" => "Centre of the low-mid bell.",
        "lowmid_g" => "Gain of the low-mid bell. Turn it down to take weight out of a close recording.",
        "balance" => {
            "Balance of direct sound and platform: 50 is as in the room, 0 direct sound only, 100 platform only."
        }
        "law" => {
            "How much the level falls with distance: 0 keeps the channel's level, 100 follows the room, unity at 4 m."
        }
        "trim" => "Output gain.",
        _ => {
            "The hall's own pre-delay, one for the whole session. It changes no sound here; the effective pre-delay below is what this seat gets."
        }
    }
}

/// Returns what a list does.
pub(super) const fn tip_of_list(list: List) -> &'static str {
    match list {
        List::Radiation => {
            "Where the instrument radiates: a horn's bell to the rear, a violin's top plate upwards."
        }
        List::Floor => "Finish of the floor.",
        List::Rear => "Finish of the rear wall, which reflects a horn's sound forward.",
        List::Sides => "Finish of both side walls.",
        List::Canopy => "Finish of the canopy over the players.",
        List::Pickup => "The main microphones: coincident is safest in mono, spaced omnis are widest.",
        List::Link => {
            "Shares one platform with every instance on this number: size, finishes, decay, microphones and air. An edit on one changes all."
        }
    }
}

/// Returns what a switch does.
pub(super) const fn tip_of_switch(switch: Switch) -> &'static str {
    match switch {
        Switch::Dry => {
            "Hear the dry input instead, matched in loudness to the placed sound. Never saved as on; ignored in offline renders."
        }
        Switch::Bypass => "Passes the dry input unchanged.",
    }
}
