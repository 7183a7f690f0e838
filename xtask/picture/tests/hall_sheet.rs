//! Every control of the hall's sheet is found by its name, and does by mouse and by keyboard what it says.

use egui::{Event, Key, Modifiers, PointerButton, Pos2};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable as _;
use rostra::editor::hall_sheet::HallSheet;
use rostra::editor::values::{Edit, Switch};
use rostra::hall::parameters::{DECAY, HALL_NUMBERS, SIZE};
use rostra_picture::hall::{HallDesk, open};

type Open = Harness<'static, HallDesk>;

fn sheet(scale: f32) -> Open {
    let mut harness = open(HallDesk::new(HALL_NUMBERS.map(|number| number.default), false), scale, 1.0);
    harness.run();
    harness
}

fn place(harness: &Open, name: &str) -> Pos2 {
    harness.get_by_label(name).rect().center()
}

fn pointer(harness: &mut Open, at: Pos2, is_pressed: Option<bool>) {
    harness.event(match is_pressed {
        None => Event::PointerMoved(at),
        Some(pressed) => Event::PointerButton {
            pos: at,
            button: PointerButton::Primary,
            pressed,
            modifiers: Modifiers::NONE,
        },
    });
    harness.step();
}

fn click(harness: &mut Open, name: &str) {
    let at = place(harness, name);
    pointer(harness, at, None);
    pointer(harness, at, Some(true));
    pointer(harness, at, Some(false));
    // Long enough that the next click is no double one: 0.5 s.
    (0..30).for_each(|_| harness.step());
}

fn value(harness: &Open, id: &str) -> f64 {
    let place = HALL_NUMBERS.iter().position(|number| number.id == id).expect("a number of the hall");
    harness.state().values[place]
}

#[test]
fn every_control_has_its_name_at_every_size() {
    for scale in [0.75, 1.0, 2.0] {
        let harness = sheet(scale);
        let [width, height] = HallSheet::SIZE_POINTS;
        for name in HALL_NUMBERS.map(|number| number.name).into_iter().chain(["Bypass", "Dark room"]) {
            let at = place(&harness, name);
            assert!(at.x < width * scale && at.y < height * scale, "{name} lies outside at {scale}");
        }
    }
}

#[test]
fn a_drag_is_one_gesture_and_a_double_click_brings_the_default() {
    for number in HALL_NUMBERS {
        let mut harness = sheet(1.0);
        let from = place(&harness, number.name);
        // Towards the middle of the range, whichever end the default is near.
        let way = if number.share(number.default) > 0.5 { -60.0 } else { 60.0 };
        pointer(&mut harness, from, None);
        pointer(&mut harness, from, Some(true));
        for step in 1..=8 {
            pointer(&mut harness, from + egui::vec2(way * step as f32 / 8.0, 0.0), None);
        }
        pointer(&mut harness, from + egui::vec2(way, 0.0), Some(false));
        harness.step();
        let edits = harness.state().edits.clone();
        assert!(matches!(edits.first(), Some(Edit::Begin(of)) if of.id == number.id), "{edits:?}");
        assert!(matches!(edits.last(), Some(Edit::End(of)) if of.id == number.id), "{edits:?}");
        let inner = &edits[1..edits.len() - 1];
        assert!(inner.iter().all(|edit| matches!(edit, Edit::Set(of, _) if of.id == number.id)), "{edits:?}");
        assert_ne!(value(&harness, number.id), number.default, "{}", number.id);
        for _ in 0..2 {
            pointer(&mut harness, from, Some(true));
            pointer(&mut harness, from, Some(false));
        }
        harness.step();
        assert_eq!(value(&harness, number.id), number.default, "{}", number.id);
    }
}

#[test]
fn what_is_typed_is_taken_and_letters_are_refused_in_words() {
    let mut harness = sheet(1.0);
    for (name, typed, id, expected) in [
        (DECAY.name, "2,2 s", DECAY.id, 2.2),
        (SIZE.name, "8000", SIZE.id, 8000.0),
        (SIZE.name, "huge", SIZE.id, 8000.0),
    ] {
        click(&mut harness, name);
        for letter in typed.chars() {
            harness.event(Event::Text(letter.to_string()));
            harness.step();
        }
        harness.key_press(Key::Enter);
        harness.step();
        harness.step();
        assert_eq!(value(&harness, id), expected, "{typed}");
    }
}

#[test]
fn the_switches_switch() {
    let mut harness = sheet(1.0);
    click(&mut harness, "Bypass");
    assert!(harness.state().is_bypassed);
    assert!(harness.state().edits.contains(&Edit::Throw(Switch::Bypass, true)));
    click(&mut harness, "Dark room");
    assert!(harness.state().sheet.is_dark);
}
