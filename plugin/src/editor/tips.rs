//! What each control does, in plain trade words.

use super::values::{List, Switch};
use crate::quantity::Number;

/// Returns what a number does.
pub(super) fn tip_of_number(number: &Number) -> &'static str {
    match number.id {
        "depth" => {
            "How far upstage the player sits, from the front edge. Deeper: later, darker, more platform."
        }
        "bearing" => "Direction of the player from the main pair; positive to the audience's right.",
        "riser" => "Height of the riser under the player.",
        "facing" => {
            "How the player is turned: 0 looks at the pair, 180 away from it; positive to the audience's right."
        }
        "width" => "Distance between the left and right end of a stereo recording on the platform.",
        "plat_w" => "Side wall to side wall.",
        "plat_d" => "Front edge to rear wall.",
        "plat_h" => "Floor to canopy.",
        "decay" => {
            "Time in which the platform's sound falls by 60 dB, mean of 500 Hz and 1 kHz. Players and chairs absorb what the finishes leave."
        }
        "pick_y" => "How far upstage of the front edge the main pair stands.",
        "pick_z" => "Height of the main pair above the floor.",
        "air" => "How much the air takes from the highs: 1 is real air, 0 none.",
        "temp" => "Temperature: it sets the speed of sound and what the air takes.",
        "humid" => "Relative humidity: dry air takes more from the highs.",
        "close" => {
            "Distance of the close microphone that recorded the dry sound. Its proximity rise is taken out; off leaves it."
        }
        "lowmid_f" => "Centre of the low-mid bell.",
        "lowmid_g" => "Gain of the low-mid bell: take weight out of what was recorded close.",
        "balance" => {
            "Direct sound against platform: 50 as in the room, 0 direct sound alone, 100 platform alone."
        }
        "law" => {
            "How far the level falls with distance: 0 keeps the channel's level, 100 follows 4 m over the distance."
        }
        "trim" => "Output gain.",
        _ => {
            "The hall's own pre-delay, one for the whole session. It changes no sound here: the gap beside it is what this seat hears."
        }
    }
}

/// Returns what a list does.
pub(super) const fn tip_of_list(list: List) -> &'static str {
    match list {
        List::Radiation => {
            "How the instrument throws its sound: a horn's bell fires to the rear, a violin's top plate upwards."
        }
        List::Floor => "Finish of the floor.",
        List::Rear => "Finish of the rear wall, which throws a horn's sound forward.",
        List::Sides => "Finish of both side walls.",
        List::Canopy => "Finish of the canopy over the players.",
        List::Pickup => "The main pair: coincident is steady in mono, spaced omnis are wide.",
        List::Link => {
            "Stands on a platform with every instance that has the same number: size, finishes, decay, pickup and air are then theirs, and an edit is one for all."
        }
    }
}

/// Returns what a switch does.
pub(super) const fn tip_of_switch(switch: Switch) -> &'static str {
    match switch {
        Switch::Dry => {
            "Hear the dry input instead, at the loudness of the placed sound. Never saved on, ignored in an offline render."
        }
        Switch::Bypass => "The dry input passes unchanged.",
    }
}
