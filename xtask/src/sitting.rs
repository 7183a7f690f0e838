//! What was asked of the plug-in, as the plain values of the acoustics.

use rostra_dsp::Settings;
use rostra_dsp::pickup::Pair;
use rostra_dsp::radiation::Family;
use rostra_dsp::surface::Finish;

use crate::offline_host::Setting;
use crate::parameter::Plain;

/// Returns the plain values of `settings`; what is not set keeps the default.
///
/// Only the acoustics are taken: bypass has none.
pub(crate) fn plain_settings(settings: &[Setting]) -> Settings {
    let mut plain = Settings::default();
    for setting in settings {
        match &setting.plain {
            Plain::Number(number) => set_number(&mut plain, setting.id, *number),
            Plain::Word(word) => set_word(&mut plain, setting.id, word),
        }
    }
    plain.snapped()
}

/// Says in words how far to the side a place lies, from the audience.
pub(crate) fn beside(x_m: f64) -> String {
    match x_m {
        x if x < -0.005 => format!("{:.2} m left", -x),
        x if x > 0.005 => format!("{x:.2} m right"),
        _ => "in the middle".into(),
    }
}

fn set_number(plain: &mut Settings, id: &str, number: f64) {
    let place = match id {
        "depth" => &mut plain.seat.depth_m,
        "bearing" => &mut plain.seat.bearing_deg,
        "riser" => &mut plain.seat.riser_m,
        "facing" => &mut plain.seat.facing_deg,
        "width" => &mut plain.seat.width_m,
        "plat_w" => &mut plain.platform.width_m,
        "plat_d" => &mut plain.platform.depth_m,
        "plat_h" => &mut plain.platform.height_m,
        "decay" => &mut plain.platform.decay_s,
        "mics_y" => &mut plain.pickup.depth_m,
        "mics_z" => &mut plain.pickup.height_m,
        "air" => &mut plain.platform.air.loss,
        "temp" => &mut plain.platform.air.temperature_c,
        "humid" => &mut plain.platform.air.humidity_pct,
        "lowmid_f" => &mut plain.tone.low_mid_hz,
        "lowmid_g" => &mut plain.tone.low_mid_db,
        "balance" => &mut plain.level.balance_pct,
        "law" => &mut plain.level.law_pct,
        "trim" => &mut plain.level.trim_db,
        "close" => {
            plain.tone.close_mic_m = Some(number);
            return;
        }
        _ => return,
    };
    *place = number;
}

fn set_word(plain: &mut Settings, id: &str, word: &str) {
    let finish = || Finish::ALL.into_iter().find(|finish| finish.name() == word).unwrap_or_default();
    match id {
        "family" => {
            plain.seat.family =
                Family::ALL.into_iter().find(|family| family.name() == word).unwrap_or_default();
        }
        "floor" => plain.platform.floor = finish(),
        "rear" => plain.platform.rear = finish(),
        "sides" => plain.platform.sides = finish(),
        "canopy" => plain.platform.canopy = finish(),
        "mics" => {
            plain.pickup.pair = Pair::ALL.into_iter().find(|pair| pair.name() == word).unwrap_or_default();
        }
        "close" => plain.tone.close_mic_m = None,
        _ => {}
    }
}
