//! Every control of the hall's sheet is found by its name, and does by mouse and by keyboard what it says.

use egui::{Event, Key, Modifiers, PointerButton, Pos2};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable as _;
use rostra::editor::hall_sheet::HallSheet;
use rostra::editor::values::{Edit, Values};
use rostra_dsp::hall::Hall;
use rostra_dsp::settings::{BYPASSED, Parameter, Tabled as _};
use rostra_files::FileStore;
use rostra_picture::hall::{OpenHallSheet, open};

type Open = Harness<'static, OpenHallSheet>;

fn named(id: &str) -> &'static Parameter {
    Hall::by_id(id).expect("a parameter of the hall")
}

fn numbers() -> impl Iterator<Item = &'static Parameter> {
    Hall::parameters().filter(|parameter| parameter.number().is_some())
}

fn sheet(scale: f32) -> Open {
    let mut harness = open(OpenHallSheet::new(Values::default(), false), scale, 1.0);
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
    harness.state().values.value(named(id))
}

#[test]
fn every_control_has_its_name_at_every_size() {
    for scale in [0.75, 1.0, 2.0] {
        let harness = sheet(scale);
        let [width, height] = HallSheet::SIZE_POINTS;
        for name in numbers().map(|number| number.name).chain(["Hall files", "Bypass", "Dark paper"]) {
            let at = place(&harness, name);
            assert!(at.x < width * scale && at.y < height * scale, "{name} lies outside at {scale}");
        }
    }
}

#[test]
fn a_drag_is_one_gesture_and_a_double_click_brings_the_default() {
    for number in numbers() {
        let mut harness = sheet(1.0);
        let from = place(&harness, number.name);
        // Towards the middle of the range, whichever end the default is near.
        let way = if number.share(number.default()) > 0.5 { -60.0 } else { 60.0 };
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
        assert_ne!(value(&harness, number.id), number.default(), "{}", number.id);
        for _ in 0..2 {
            pointer(&mut harness, from, Some(true));
            pointer(&mut harness, from, Some(false));
        }
        harness.step();
        assert_eq!(value(&harness, number.id), number.default(), "{}", number.id);
    }
}

#[test]
fn a_tail_that_could_not_be_made_is_said_in_words_while_it_lasts() {
    let mut harness = sheet(1.0);
    for has_failed in [false, true, false] {
        harness.state_mut().sheet.warn_of_tail(has_failed);
        harness.run();
        let said = harness
            .query_by_label_contains("The new tail could not be built, so the previous one keeps playing.");
        assert_eq!(said.is_some(), has_failed);
    }
}

#[test]
fn what_is_typed_is_taken_and_letters_are_refused_in_words() {
    let mut harness = sheet(1.0);
    for (name, typed, id, expected) in [
        (named("decay").name, "2,2 s", "decay", 2.2),
        (named("size").name, "8000", "size", 8000.0),
        (named("size").name, "huge", "size", 8000.0),
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
    assert!(harness.state().values.is_on(BYPASSED));
    assert!(harness.state().edits.contains(&Edit::Throw(BYPASSED, true)));
    click(&mut harness, "Dark paper");
    assert!(harness.state().sheet.is_dark);
}

/// A sheet beside an own folder of files, which is taken away at the end.
fn sheet_beside_files(scale: f32) -> (Open, tempfile::TempDir) {
    let folder = tempfile::tempdir().expect("a folder");
    let values = Values::default();
    let mut harness = open(OpenHallSheet::beside(FileStore::at(folder.path()), values, false), scale, 1.0);
    harness.run();
    (harness, folder)
}

/// Sets a number as a host would.
fn set(harness: &mut Open, id: &str, value: f64) {
    harness.state_mut().values.set(named(id), value);
    harness.step();
}

/// Opens the menu of files, and types a name to save under.
fn type_name(harness: &mut Open, name: &str) {
    click(harness, "Hall files");
    harness.get_by_role_and_label(egui::accesskit::Role::TextInput, "Save this hall as").focus();
    harness.step();
    // What stood there before goes.
    harness.key_press_modifiers(Modifiers::COMMAND, Key::A);
    harness.step();
    for letter in name.chars() {
        harness.event(Event::Text(letter.to_string()));
        harness.step();
    }
}

#[test]
fn a_hall_file_is_taken_as_whole_gestures_and_sets_what_it_names() {
    let mut harness = sheet(1.0);
    set(&mut harness, "trim", -3.0);
    set(&mut harness, "wet", 60.0);
    click(&mut harness, "Hall files");
    assert!(harness.state().edits.is_empty(), "a menu that opens sets nothing");
    click(&mut harness, "Short cue, built in");
    // The numbers of presets-demo/halls/short-cue.toml, in its order.
    let of_file = [
        (named("pre_delay"), 20.0),
        (named("decay"), 1.8),
        (named("bass"), 1.0),
        (named("treble"), 0.9),
        (named("size"), 6000.0),
        (named("early"), -2.0),
        (named("width"), 100.0),
    ];
    let gestures: Vec<Edit> = of_file
        .iter()
        .flat_map(|&(number, value)| [Edit::Begin(number), Edit::Set(number, value), Edit::End(number)])
        .collect();
    assert_eq!(harness.state().edits, gestures);
    for (number, expected) in of_file {
        assert_eq!(value(&harness, number.id), expected, "{}", number.id);
    }
    assert_eq!((value(&harness, "trim"), value(&harness, "wet")), (-3.0, 60.0), "what it does not name");
    assert!(!harness.state().values.is_on(BYPASSED));
    assert!(harness.query_by_label("Long cue, built in").is_none(), "the menu closes");
    assert!(harness.query_by_label_contains("Loaded 'Short cue'").is_some());
    assert_eq!(harness.get_by_label("Hall files").value().as_deref(), Some("Short cue"));
    // What is said of it goes with the next edit, and the heading says that the hall is another.
    click(&mut harness, named("decay").name);
    harness.key_press(Key::ArrowUp);
    harness.run();
    assert!(harness.query_by_label_contains("Loaded").is_none());
    assert_eq!(harness.get_by_label("Hall files").value().as_deref(), Some("Short cue, changed"));
}

#[test]
fn a_hall_is_saved_listed_and_taken_again_and_a_second_save_asks() {
    let (mut harness, folder) = sheet_beside_files(1.0);
    set(&mut harness, "decay", 2.75);
    type_name(&mut harness, "Wide one");
    click(&mut harness, "Save");
    harness.run();
    let path = folder.path().join("halls/Wide one.toml");
    let text = std::fs::read_to_string(&path).expect("it was saved");
    assert!(text.starts_with("name = \"Wide one\"") && text.contains("\ndecay = 2.75\n"), "{text}");
    assert!(harness.query_by_label_contains("Saved as 'Wide one'").is_some());
    assert!(harness.query_by_label("Save").is_none(), "the menu closes");
    assert!(harness.state().edits.is_empty(), "saving sets nothing");
    // Another hall under the same name: asked first, and then replaced.
    let mut saved = Values::<Hall>::default();
    for number in numbers() {
        saved.set(number, number.at_share(0.37));
    }
    harness.state_mut().values = saved.clone();
    harness.step();
    type_name(&mut harness, "Wide one");
    click(&mut harness, "Save");
    assert_eq!(std::fs::read_to_string(&path).expect("it is there"), text, "one click replaces nothing");
    click(&mut harness, "Replace");
    assert_ne!(std::fs::read_to_string(&path).expect("it is there"), text);
    // And back from the list: every number as it was saved.
    harness.state_mut().values = Values::default();
    click(&mut harness, "Hall files");
    click(&mut harness, "Wide one, own");
    assert_eq!(harness.state().values, saved);
}

#[test]
fn a_broken_hall_file_is_named_with_its_line_and_changes_nothing() {
    let (mut harness, folder) = sheet_beside_files(1.0);
    let halls = folder.path().join("halls");
    std::fs::create_dir_all(&halls).expect("a folder");
    std::fs::write(halls.join("Bad.toml"), "decay = 2\nsize = 1\n").expect("a file");
    let before = harness.state().values.clone();
    click(&mut harness, "Hall files");
    click(&mut harness, "Bad, own");
    assert_eq!(harness.state().values, before);
    assert!(harness.state().edits.is_empty(), "{:?}", harness.state().edits);
    assert!(
        harness.query_by_label_contains("Bad.toml, line 2: size = 1 is out of range").is_some(),
        "the sheet says what is wrong"
    );
    // A folder that cannot be written: said, and nothing is lost.
    std::fs::remove_dir_all(&halls).expect("it was made above");
    std::fs::write(&halls, b"in the way").expect("a file");
    type_name(&mut harness, "Any");
    click(&mut harness, "Save");
    assert!(harness.query_by_label_contains("cannot be written").is_some());
}

#[test]
fn a_menu_of_many_files_fits_into_the_window() {
    for scale in [0.75, 1.0, 2.0] {
        let (mut harness, folder) = sheet_beside_files(scale);
        let halls = folder.path().join("halls");
        std::fs::create_dir_all(&halls).expect("a folder");
        for number in 0..40 {
            std::fs::write(halls.join(format!("Hall {number:02}.toml")), "decay = 2\n").expect("a file");
        }
        click(&mut harness, "Hall files");
        let (list, save) = (harness.get_by_label("Hall 00, own").rect(), harness.get_by_label("Save").rect());
        let [width, height] = HallSheet::SIZE_POINTS.map(|points| points * scale);
        assert!(list.top() >= 0.0 && save.right() <= width && save.bottom() <= height, "{save:?}");
        // The heading that was clicked stays free.
        assert!(list.top() > place(&harness, "Hall files").y, "{list:?}");
    }
}
