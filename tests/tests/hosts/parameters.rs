//! Parameters as a CLAP host sees them: the list of the first release, with texts that read back.

use super::clap_host::{Clap, Described, Start};
use super::sound::noise_burst;

/// A parameter of the design: id, name, group, lowest, highest, default and unit.
type Designed =
    (&'static str, &'static str, &'static str, &'static str, &'static str, &'static str, &'static str);

/// The design's table of parameters: sessions depend on ids and names.
///
/// Lists give their first entry and their last place, which is kept for later entries.
const DESIGNED: [Designed; 33] = [
    ("depth", "Depth", "Seat", "0.50", "25.00", "5.00", "m"),
    ("bearing", "Bearing", "Seat", "-60.0", "60.0", "0.0", "°"),
    ("riser", "Riser", "Seat", "0.00", "2.00", "0.00", "m"),
    ("facing", "Facing", "Seat", "-180.0", "180.0", "0.0", "°"),
    ("family", "Radiation", "Seat", "omnidirectional", "unused 24: omnidirectional", "omnidirectional", ""),
    ("recorded", "Recorded from", "Seat", "on the axis", "unused 8: on the axis", "on the axis", ""),
    ("width", "Source width", "Seat", "0.00", "8.00", "1.50", "m"),
    ("players", "Players", "Seat", "1", "16", "1", ""),
    ("ranks", "Section depth", "Seat", "0.00", "6.00", "1.50", "m"),
    ("lean", "Picture leans", "Seat", "-12.0", "12.0", "0.0", "dB"),
    ("plat_w", "Platform width", "Platform", "8.00", "30.00", "18.00", "m"),
    ("plat_d", "Platform depth", "Platform", "5.00", "25.00", "12.00", "m"),
    ("plat_h", "Platform height", "Platform", "4.00", "20.00", "10.00", "m"),
    ("floor", "Floor", "Platform", "timber platform", "unused 16: timber platform", "timber platform", ""),
    ("rear", "Rear wall", "Platform", "timber platform", "unused 16: timber platform", "timber", ""),
    ("sides", "Side walls", "Platform", "timber platform", "unused 16: timber platform", "timber", ""),
    ("canopy", "Canopy", "Platform", "timber platform", "unused 16: timber platform", "plasterboard", ""),
    ("decay", "Decay", "Platform", "0.200", "2.000", "0.500", "s"),
    ("mics", "Main microphones", "Microphones", "coincident", "unused 8: coincident", "near-coincident", ""),
    ("mics_y", "Microphone depth", "Microphones", "0.00", "4.00", "0.00", "m"),
    ("mics_z", "Microphone height", "Microphones", "1.50", "5.00", "3.00", "m"),
    ("air", "Air loss", "Air", "0.00", "8.00", "1.00", "x"),
    ("temp", "Temperature", "Air", "0.0", "40.0", "20.0", "°C"),
    ("humid", "Humidity", "Air", "10.0", "100.0", "50.0", "%"),
    ("close", "Close-mic distance", "Tone", "0.05 m", "off", "off", ""),
    ("lowmid_f", "Low-mid frequency", "Tone", "150.0", "900.0", "450.0", "Hz"),
    ("lowmid_g", "Low-mid gain", "Tone", "-18.0", "6.0", "0.0", "dB"),
    ("balance", "Platform balance", "Level", "0.0", "100.0", "50.0", "%"),
    ("law", "Distance fall-off", "Level", "0.0", "100.0", "0.0", "%"),
    ("trim", "Trim", "Level", "-24.0", "24.0", "0.0", "dB"),
    ("link", "Platform link", "", "off", "unused 8: off", "off", ""),
    ("dry", "Compare dry", "", "off", "on", "off", ""),
    ("bypass", "Bypass", "", "off", "on", "off", ""),
];

/// Returns the host's number of an id: h = 31 h + byte, 31 bits (read in the framework's source).
fn number_of(id: &str) -> u32 {
    id.bytes().fold(0_u32, |hash, byte| hash.wrapping_mul(31).wrapping_add(u32::from(byte))) & 0x7fff_ffff
}

fn shown(text: &str, unit: &str) -> String {
    match unit {
        "" => text.to_owned(),
        // The degree of arc alone stands without a space.
        "°" => format!("{text}°"),
        _ => format!("{text} {unit}"),
    }
}

#[test]
fn ids_names_groups_ranges_defaults_and_units_are_the_designs() {
    let mut clap = Clap::new();
    let found = clap.parameters();
    let names: Vec<_> = found.iter().map(|found| found.name.as_str()).collect();
    assert_eq!(names, DESIGNED.map(|(_, name, ..)| name));
    for (found, (id, name, group, least, most, default, unit)) in found.iter().zip(DESIGNED) {
        assert_eq!(found.id.get(), number_of(id), "the number of {id}");
        assert_eq!(found.group, group, "the group of {name}");
        for (value, expected) in [(found.least, least), (found.most, most), (found.default, default)] {
            assert_eq!(clap.text_of(found.id, value), shown(expected, unit), "{name} at {value}");
        }
    }
    // The ids themselves are what a state holds.
    let state = clap.save();
    let state: serde_json::Value = serde_json::from_slice(&state[8..]).expect("a state is JSON");
    let mut held: Vec<_> = state["params"].as_object().expect("parameters by id").keys().cloned().collect();
    let mut expected = DESIGNED.map(|(id, ..)| id);
    held.sort();
    expected.sort_unstable();
    assert_eq!(held, expected);
}

#[test]
fn a_new_instance_shows_the_defaults() {
    let texts = Clap::new().texts();
    for ((name, text), (_, expected_name, _, _, _, default, unit)) in texts.iter().zip(DESIGNED) {
        assert_eq!((name.as_str(), text.as_str()), (expected_name, shown(default, unit).as_str()));
    }
}

#[test]
fn comparison_and_link_are_kept_from_automation_and_only_bypass_is_bypass() {
    for Described { name, is_automatable, is_bypass, .. } in Clap::new().parameters() {
        assert_eq!(is_automatable, !["Compare dry", "Platform link"].contains(&name.as_str()), "{name}");
        assert_eq!(is_bypass, name == "Bypass", "{name}");
    }
}

#[test]
fn texts_read_back_with_their_unit_and_without() {
    let mut clap = Clap::new();
    for (found, (_, name, .., unit)) in clap.parameters().into_iter().zip(DESIGNED) {
        let Described { id, least, most, is_stepped, .. } = found;
        let steps = if is_stepped { (most - least).round() as usize } else { 200 };
        for step in 0..=steps {
            let value = least + (most - least) * step as f64 / steps as f64;
            let text = clap.text_of(id, value);
            let bare = text.strip_suffix(unit).expect("the unit is shown").trim_end();
            for typed in [text.as_str(), bare] {
                let back = clap.value_of(id, typed);
                let back = back.unwrap_or_else(|| panic!("{name} does not take its own {typed:?}"));
                assert!((least..=most).contains(&back), "{name}: {typed:?} became {back}");
                assert_eq!(clap.text_of(id, back), text, "{name}: {typed:?} became {back}");
            }
        }
        for nonsense in ["far", "", "nan", "--5", "5 apples"] {
            assert_eq!(clap.value_of(id, nonsense), None, "{name} takes {nonsense:?}");
        }
    }
}

#[test]
fn there_is_no_latency_and_the_tail_is_reported_once_it_plays() {
    for (inputs, outputs) in [(2, 2), (1, 2), (1, 1)] {
        let mut playing = Clap::new().start(Start { inputs, outputs, ..Start::STEREO });
        assert_eq!(playing.instance.latency_frames(), 0);
        playing.render(&noise_burst(inputs), &[]);
        assert_eq!(playing.instance.latency_frames(), 0);
        let tail_frames = playing.tail_frames();
        eprintln!("{inputs} -> {outputs}: tail of {tail_frames} frames");
        assert!(tail_frames > 0, "{inputs} -> {outputs} reports no tail");
        playing.stop();
    }
}

/// The framework as it is published takes the host down here: it reads one past its list.
#[test]
fn one_past_the_last_parameter_there_is_none() {
    for mut clap in [Clap::new(), Clap::of(c"rostra.hall")] {
        let count = clap.parameters().len() as u32;
        assert!(clap.describes(count - 1));
        for index in [count, count + 1, u32::MAX] {
            assert!(!clap.describes(index), "{index} of {count}");
        }
    }
}
