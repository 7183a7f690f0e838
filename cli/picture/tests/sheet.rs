//! Every control of the sheet is found by its name, and does by mouse and by keyboard what it says.

use egui::{Key, Modifiers, PointerButton, Pos2, Rect};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable as _;
use rostra::editor::file_menu::Filed;
use rostra::editor::sheet::{Levels, Sheet};
use rostra::editor::values::{Edit, Values};
use rostra_dsp::Settings;
use rostra_dsp::acoustics::Family;
use rostra_dsp::settings::{
    BEARING, BYPASSED, DEPTH, DRY, FACING, PLATFORM_DEPTH, Parameter, RISER, Tabled as _, WIDTH,
};
use rostra_files::FileStore;
use rostra_picture::{OpenSheet, open};

type Open = Harness<'static, OpenSheet>;

fn named(id: &str) -> &'static Parameter {
    Settings::by_id(id).expect("a parameter of the seat")
}

fn numbers() -> impl Iterator<Item = &'static Parameter> {
    Settings::parameters().filter(|parameter| parameter.number().is_some())
}

fn sheet() -> Open {
    sheet_of(&Settings::default(), 1.0)
}

fn sheet_of(settings: &Settings, scale: f32) -> Open {
    let mut harness = open(OpenSheet::new(Values::from(settings), false), scale, 1.0);
    harness.run();
    harness
}

fn place(harness: &Open, name: &str) -> Rect {
    harness.get_by_label(name).rect()
}

fn press(harness: &mut Open, at: Pos2, is_pressed: bool) {
    let button = PointerButton::Primary;
    harness.event(egui::Event::PointerButton {
        pos: at,
        button,
        pressed: is_pressed,
        modifiers: Modifiers::NONE,
    });
    harness.step();
}

fn move_to(harness: &mut Open, at: Pos2) {
    harness.event(egui::Event::PointerMoved(at));
    harness.step();
}

fn click(harness: &mut Open, name: &str) {
    let at = place(harness, name).center();
    move_to(harness, at);
    press(harness, at, true);
    press(harness, at, false);
    // Long enough that the next click is no double one: 0.5 s.
    (0..30).for_each(|_| harness.step());
}

fn drag(harness: &mut Open, from: Pos2, to: Pos2) {
    move_to(harness, from);
    press(harness, from, true);
    for step in 1..=8 {
        move_to(harness, from + (to - from) * (step as f32 / 8.0));
    }
    press(harness, to, false);
    harness.step();
}

fn key(harness: &mut Open, key: Key) {
    harness.key_press(key);
    harness.step();
}

fn type_text(harness: &mut Open, text: &str) {
    for letter in text.chars() {
        harness.event(egui::Event::Text(letter.to_string()));
        harness.step();
    }
}

/// Asserts that edits are whole gestures on one number, and returns the last value set.
fn gesture(edits: &[Edit], number: &Parameter) -> f64 {
    let begins = edits.iter().filter(|edit| matches!(edit, Edit::Begin(of) if of.id == number.id)).count();
    let ends = edits.iter().filter(|edit| matches!(edit, Edit::End(of) if of.id == number.id)).count();
    assert_eq!((begins, ends), (1, 1), "{}: {edits:?}", number.id);
    let sets: Vec<f64> = edits
        .iter()
        .filter_map(|edit| match edit {
            Edit::Set(of, value) if of.id == number.id => Some(*value),
            _ => None,
        })
        .collect();
    let place = |wanted: &dyn Fn(&Edit) -> bool| edits.iter().position(wanted).expect("an edit");
    let begin = place(&|edit| matches!(edit, Edit::Begin(of) if of.id == number.id));
    let set = place(&|edit| matches!(edit, Edit::Set(of, _) if of.id == number.id));
    assert!(begin < set, "{}: set before it was begun: {edits:?}", number.id);
    *sets.last().expect("a value was set")
}

#[test]
fn every_control_has_its_name() {
    let harness = sheet();
    for parameter in Settings::parameters() {
        assert!(place(&harness, parameter.name).is_positive(), "{}", parameter.name);
    }
    for name in
        ["Compare dry", "Bypass", "Dark paper", "Hall pre-delay", "Copy values", "Player", "Facing handle"]
    {
        assert!(place(&harness, name).is_positive(), "{name}");
    }
    for filed in Filed::OF_A_SEAT {
        assert!(place(&harness, filed.name()).is_positive(), "{}", filed.name());
    }
}

#[test]
fn trim_to_dry_takes_the_difference_out_in_one_gesture_once_it_is_known() {
    let mut harness = sheet();
    let trim = named("trim");
    harness.state_mut().values.apply(Edit::Set(trim, 2.0));
    for (placed_lu, is_offered) in [(None, false), (Some(0.01), false), (Some(1.5), true)] {
        let levels = Levels { input_dbfs: -20.0, output_dbfs: -18.0, placed_lu, lean_db: None };
        harness.state_mut().sheet.levels = Some(levels);
        harness.step();
        assert_eq!(harness.query_by_label("Trim to dry").is_some(), is_offered, "{placed_lu:?}");
    }
    assert!(place(&harness, "Placed +1.5 LU against dry").is_positive());
    click(&mut harness, "Trim to dry");
    let got = gesture(&harness.state().edits, trim);
    assert!((got - 0.5).abs() < 1e-9, "2 dB less 1.5 LU, got {got}");
}

#[test]
fn a_channel_that_leans_says_so_and_is_brought_to_the_seat_in_one_gesture() {
    let mut harness = sheet();
    let lean = named("lean");
    for (lean_db, is_offered) in [(None, false), (Some(0.01), false), (Some(-4.2), true)] {
        let levels = Levels { input_dbfs: -20.0, output_dbfs: -18.0, placed_lu: None, lean_db };
        harness.state_mut().sheet.levels = Some(levels);
        harness.step();
        assert_eq!(harness.query_by_label("Take it out").is_some(), is_offered, "{lean_db:?}");
    }
    assert!(place(&harness, "this channel leans 4.2 dB left").is_positive());
    click(&mut harness, "Take it out");
    let got = gesture(&harness.state().edits, lean);
    assert!((got + 4.2).abs() < 1e-6, "got {got}");
    assert!(place(&harness, "this channel leans 4.2 dB left, taken out").is_positive());
    assert!(harness.query_by_label("Take it out").is_none());
}

#[test]
fn arrow_keys_step_every_number_up_and_down() {
    for number in numbers() {
        let mut harness = sheet();
        // In the middle of the range, so that both ways are open.
        harness.state_mut().values.apply(Edit::Set(number, number.at_share(0.5)));
        harness.step();
        click(&mut harness, number.name);
        let before = harness.state().values.value(number);
        harness.state_mut().edits.clear();
        key(&mut harness, Key::ArrowUp);
        let up = gesture(&harness.state().edits, number);
        assert!(up > before, "{}: {before} to {up}", number.id);
        harness.state_mut().edits.clear();
        key(&mut harness, Key::ArrowDown);
        let back = gesture(&harness.state().edits, number);
        let slack = f64::from(number.number().expect("a number").unit.step()) * 0.51;
        assert!((back - before).abs() <= slack, "{}: {before}, up and down {back}", number.id);
    }
}

#[test]
fn a_drag_to_the_right_is_up_by_its_share_of_the_range_and_one_gesture() {
    for number in numbers() {
        let mut harness = sheet();
        let start = number.at_share(0.3);
        harness.state_mut().values.apply(Edit::Set(number, start));
        harness.step();
        let from = place(&harness, number.name).center();
        drag(&mut harness, from, from + egui::vec2(60.0, 0.0));
        let got = gesture(&harness.state().edits, number);
        // 300 points are the whole range; what egui needs to tell a drag from a click may be lost.
        let moved = number.share(got) - number.share(start);
        assert!((0.15..=0.22).contains(&moved), "{}: moved by {moved} of the range", number.id);
    }
}

#[test]
fn a_double_click_brings_the_default() {
    for number in numbers() {
        let mut harness = sheet();
        harness.state_mut().values.apply(Edit::Set(number, number.at_share(0.9)));
        harness.step();
        let at = place(&harness, number.name).center();
        move_to(&mut harness, at);
        for _ in 0..2 {
            let button = PointerButton::Primary;
            for pressed in [true, false] {
                harness.event(egui::Event::PointerButton {
                    pos: at,
                    button,
                    pressed,
                    modifiers: Modifiers::NONE,
                });
            }
        }
        (0..3).for_each(|_| harness.step());
        assert_eq!(harness.state().values.value(number), number.default(), "{}", number.id);
    }
}

#[test]
fn a_tail_that_could_not_be_made_is_said_in_words_while_it_lasts() {
    let mut harness = sheet();
    for has_failed in [false, true, false] {
        harness.state_mut().sheet.warn_of_tail(has_failed);
        harness.run();
        let said = harness
            .query_by_label_contains("The new tail could not be built, so the previous one keeps playing.");
        assert_eq!(said.is_some(), has_failed);
    }
}

#[test]
fn a_typed_value_is_taken_with_enter_and_letters_are_refused_in_words() {
    let mut harness = sheet();
    click(&mut harness, "Depth");
    type_text(&mut harness, "7,5");
    key(&mut harness, Key::Enter);
    harness.step();
    assert_eq!(harness.state().values.value(DEPTH), 7.5);
    assert_eq!(gesture(&harness.state().edits, DEPTH), 7.5);
    harness.state_mut().edits.clear();
    click(&mut harness, "Depth");
    type_text(&mut harness, "far");
    key(&mut harness, Key::Enter);
    harness.step();
    assert_eq!(harness.state().values.value(DEPTH), 7.5, "the value is unchanged");
    let said = "\"far\" is not valid for Depth: enter 0.50 to 25.00 m. Value unchanged.";
    assert!(harness.query_by_label(said).is_some());
    assert!(harness.state().edits.is_empty(), "{:?}", harness.state().edits);
    // Out of range is brought inside; another unit is understood.
    for (typed, expected) in [("900", 25.0), ("350cm", 3.5), ("-2", 0.5)] {
        click(&mut harness, "Depth");
        type_text(&mut harness, typed);
        key(&mut harness, Key::Enter);
        harness.step();
        assert_eq!(harness.state().values.value(DEPTH), expected, "{typed}");
    }
}

#[test]
fn escape_leaves_the_old_value() {
    let mut harness = sheet();
    click(&mut harness, "Depth");
    type_text(&mut harness, "9");
    key(&mut harness, Key::Escape);
    harness.step();
    assert_eq!(harness.state().values.value(DEPTH), DEPTH.default());
}

#[test]
fn lists_are_chosen_by_click_and_by_keyboard() {
    for list in Settings::parameters().filter(|parameter| parameter.list().is_some()) {
        let mut harness = sheet();
        let chosen = harness.state().values.chosen(list);
        let other = usize::from(chosen == 0);
        click(&mut harness, list.name);
        let entry = list.list().expect("a list").entries[other].name;
        click(&mut harness, entry);
        assert_eq!(harness.state().values.chosen(list), other, "{}", list.name);
        let mut harness = sheet();
        click(&mut harness, list.name);
        key(&mut harness, Key::Escape);
        let before = harness.state().values.chosen(list);
        let (way, expected) = if before == 0 { (Key::ArrowDown, 1) } else { (Key::ArrowUp, before - 1) };
        harness.get_by_label(list.name).focus();
        harness.step();
        key(&mut harness, way);
        assert_eq!(harness.state().values.chosen(list), expected, "{} by keyboard", list.name);
    }
}

#[test]
fn switches_are_thrown_by_click_and_by_keyboard() {
    let mut harness = sheet();
    for switch in [DRY, BYPASSED] {
        click(&mut harness, switch.name);
        assert!(harness.state().values.is_on(switch), "{}", switch.name);
        key(&mut harness, Key::Space);
        assert!(!harness.state().values.is_on(switch), "{} by keyboard", switch.name);
    }
}

#[test]
fn a_tracks_name_suggests_a_seat_and_a_click_takes_it() {
    let mut harness = sheet();
    assert!(
        harness.query_by_label("Seat as horn, 4 players").is_none(),
        "nothing is suggested without a name"
    );
    harness.state_mut().sheet.name_track("Horns 2");
    harness.run();
    assert_eq!(harness.state().values, Values::from(&Settings::default()), "nothing is applied by itself");
    click(&mut harness, "Seat as horn, 4 players");
    let values = &harness.state().values;
    let settings = values.settings();
    for (got, expected) in
        [(settings.seat.depth_m, 9.0), (settings.seat.bearing_deg, -22.0), (settings.seat.riser_m, 0.6)]
    {
        // A rounding of what a parameter holds.
        assert!(f64::abs(got - expected) < 1e-6, "expected {expected}, got {got}");
    }
    assert_eq!(settings.seat.family, Family::RearBell);
    assert!(
        harness.query_by_label("Seat as horn, 4 players").is_none(),
        "what is taken is suggested no more"
    );
    harness.state_mut().sheet.name_track("Corner reverb");
    harness.run();
    assert!(harness.query_by_label_contains("Seat as").is_none(), "a name that says nothing");
}

#[test]
fn a_drag_of_the_player_changes_depth_and_riser_as_two_gestures() {
    let mut harness = sheet();
    let from = place(&harness, "Player").center();
    // At the default platform 10 m are 220 points high at a scale of 1.
    drag(&mut harness, from, from + egui::vec2(44.0, -22.0));
    let edits = harness.state().edits.clone();
    let (depth_m, riser_m) = (gesture(&edits, DEPTH), gesture(&edits, RISER));
    assert!((depth_m - 7.0).abs() < 0.15, "{depth_m} m");
    assert!((riser_m - 1.0).abs() < 0.15, "{riser_m} m");
}

/// On a slow screen the last way of a hand and its letting go come in one frame.
#[test]
fn a_drag_that_ends_in_the_frame_of_its_last_way_counts_whole() {
    let mut harness = sheet();
    let from = place(&harness, "Player").center();
    let to = from + egui::vec2(44.0, 0.0);
    move_to(&mut harness, from);
    press(&mut harness, from, true);
    move_to(&mut harness, from + (to - from) / 2.0);
    harness.event(egui::Event::PointerMoved(to));
    press(&mut harness, to, false);
    let depth_m = gesture(&harness.state().edits, DEPTH);
    assert!((depth_m - 7.0).abs() < 0.15, "{depth_m} m");
}

#[test]
fn the_staff_turns_the_player_and_the_rule_takes_bearing_and_width() {
    let mut harness = sheet();
    let from = place(&harness, "Facing handle").center();
    drag(&mut harness, from, from + egui::vec2(140.0, 0.0));
    assert_eq!(gesture(&harness.state().edits, FACING).abs(), 180.0);
    let mut harness = sheet();
    let from = place(&harness, "Bearing marker").center();
    drag(&mut harness, from, from + egui::vec2(100.0, 0.0));
    // 60 degrees are 300 points.
    let bearing_deg = gesture(&harness.state().edits, BEARING);
    assert!((bearing_deg - 20.0).abs() < 0.5, "{bearing_deg} degrees");
    let mut harness = sheet();
    let bracket = place(&harness, "Source width bracket");
    let from = Pos2::new(bracket.right() - 4.0, bracket.center().y);
    drag(&mut harness, from, from + egui::vec2(40.0, 0.0));
    assert!(gesture(&harness.state().edits, WIDTH) > WIDTH.default());
}

/// 14 violins in three ranks of a part of 0.8 m each, 5 m away: the first stands 4.2 m away.
#[test]
fn the_bracket_of_a_section_is_that_of_its_first_rank_and_follows_the_hand() {
    let mut settings = Settings::default();
    (settings.seat.family, settings.seat.players) = (Family::TopPlate, 14);
    (settings.seat.width_m, settings.seat.ranks_m) = (4.0, 2.4);
    let mut harness = sheet_of(&settings, 1.0);
    let bracket = place(&harness, "Source width bracket");
    // 60 degrees are 300 points; a grip reaches 6 points beyond each end.
    let wide_deg = (bracket.width() - 12.0) / 5.0;
    let expected_deg = 2.0 * (2.0_f32 / 4.2).atan().to_degrees();
    assert!((wide_deg - expected_deg).abs() < 0.2, "expected {expected_deg} degrees, got {wide_deg}");
    let from = Pos2::new(bracket.right() - 6.0, bracket.center().y);
    drag(&mut harness, from, from + egui::vec2(25.0, 0.0));
    let turned = (f64::from(expected_deg) / 2.0 + 5.0).to_radians();
    let (got, expected) = (gesture(&harness.state().edits, WIDTH), 2.0 * 4.2 * turned.tan());
    assert!((got - expected).abs() < 0.1, "expected {expected} m, got {got} m");
    // At the rule's end the bracket stops, and can still be taken.
    settings.seat.bearing_deg = -58.0;
    let harness = sheet_of(&settings, 1.0);
    assert!(place(&harness, "Source width bracket").left() > 0.0);
}

#[test]
fn the_rear_wall_is_dragged_to_half_the_depth() {
    let mut harness = sheet();
    let from = place(&harness, "Rear wall handle").center();
    drag(&mut harness, from, from - egui::vec2(132.0, 0.0));
    let depth_m = gesture(&harness.state().edits, PLATFORM_DEPTH);
    assert!((depth_m - 6.0).abs() < 0.15, "{depth_m} m");
}

#[test]
fn a_gesture_that_is_cut_off_is_ended() {
    let mut harness = sheet();
    let from = place(&harness, "Player").center();
    move_to(&mut harness, from);
    press(&mut harness, from, true);
    move_to(&mut harness, from + egui::vec2(30.0, 0.0));
    let ends = harness.state_mut().sheet.let_go();
    assert_eq!(ends, [Edit::End(DEPTH), Edit::End(RISER)]);
    assert!(harness.state_mut().sheet.let_go().is_empty());
}

/// A sheet beside an own folder of files, which is taken away at the end.
fn sheet_beside_files() -> (Open, tempfile::TempDir) {
    let folder = tempfile::tempdir().expect("a folder");
    let desk = OpenSheet::beside(FileStore::at(folder.path()), Values::from(&Settings::default()), false);
    let mut harness = open(desk, 1.0, 1.0);
    harness.run();
    (harness, folder)
}

/// Opens a menu of files, and types a name to save under.
fn type_name(harness: &mut Open, filed: Filed, save_as: &str, name: &str) {
    click(harness, filed.name());
    harness.get_by_role_and_label(egui::accesskit::Role::TextInput, save_as).focus();
    harness.step();
    // What stood there before goes.
    harness.key_press_modifiers(Modifiers::COMMAND, Key::A);
    harness.step();
    type_text(harness, name);
}

#[test]
fn a_seat_file_is_taken_as_whole_gestures_and_sets_what_it_names() {
    let mut harness = sheet();
    harness.state_mut().values.apply(Edit::Set(named("trim"), -3.0));
    click(&mut harness, "Seat files");
    assert!(harness.state().edits.is_empty(), "a menu that opens sets nothing");
    click(&mut harness, "Horns, built in");
    let OpenSheet { values, edits, .. } = harness.state();
    // The numbers of presets-demo/seats/horns.toml.
    for (number, expected) in [(DEPTH, 10.5), (BEARING, -22.0), (RISER, 0.9), (named("balance"), 50.0)] {
        assert_eq!(values.value(number), expected, "{}", number.id);
        assert_eq!(gesture(edits, number), expected, "{}", number.id);
    }
    assert_eq!(values.settings().seat.family, Family::RearBell);
    assert_eq!(values.value(named("trim")), -3.0, "what the file does not name stays");
    assert!(harness.query_by_label("Flute, built in").is_none(), "the menu closes");
    click(&mut harness, "Seat files");
    assert!(harness.query_by_label("Flute, built in").is_some(), "and opens again");
    key(&mut harness, Key::Escape);
    harness.run();
    assert!(harness.query_by_label("Flute, built in").is_none(), "Escape closes it");
    assert!(harness.query_by_label_contains("Loaded 'Horns'").is_some());
    // What is said of it goes with the next edit, and the heading says that the seat is another.
    click(&mut harness, "Depth");
    key(&mut harness, Key::ArrowUp);
    harness.run();
    assert!(harness.query_by_label_contains("Loaded").is_none());
    let menu = harness.get_by_label("Seat files");
    assert_eq!(menu.value().as_deref(), Some("Horns, changed"));
}

#[test]
fn a_platform_file_sets_the_platform_and_leaves_the_seat() {
    let mut harness = sheet();
    click(&mut harness, "Platform files");
    click(&mut harness, "Large, plaster, built in");
    let values = &harness.state().values;
    assert_eq!(values.value(named("plat_w")), 24.0);
    assert_eq!(values.value(DEPTH), DEPTH.default());
    assert_eq!(gesture(&harness.state().edits, named("plat_w")), 24.0);
}

#[test]
fn a_seat_is_saved_listed_and_taken_again_and_a_second_save_asks() {
    let (mut harness, folder) = sheet_beside_files();
    harness.state_mut().values.apply(Edit::Set(DEPTH, 9.25));
    type_name(&mut harness, Filed::Seat, "Save this seat as", "Far one");
    click(&mut harness, "Save");
    harness.run();
    let path = folder.path().join("seats/Far one.toml");
    let text = std::fs::read_to_string(&path).expect("it was saved");
    assert!(text.starts_with("name = \"Far one\"") && text.contains("\ndepth = 9.25\n"), "{text}");
    assert!(harness.query_by_label_contains("Saved as 'Far one'").is_some());
    assert!(harness.query_by_label("Save").is_none(), "the menu closes");
    assert!(harness.state().edits.is_empty(), "saving sets nothing");
    // Another seat under the same name: asked first, and then replaced.
    harness.state_mut().values.apply(Edit::Set(DEPTH, 6.5));
    type_name(&mut harness, Filed::Seat, "Save this seat as", "Far one");
    click(&mut harness, "Save");
    assert_eq!(std::fs::read_to_string(&path).expect("it is there"), text, "one click replaces nothing");
    click(&mut harness, "Replace");
    let replaced = std::fs::read_to_string(&path).expect("it is there");
    assert!(replaced.contains("\ndepth = 6.5\n"), "{replaced}");
    // And back from the list.
    harness.state_mut().values.apply(Edit::Set(DEPTH, 3.0));
    click(&mut harness, "Seat files");
    click(&mut harness, "Far one, own");
    assert_eq!(harness.state().values.value(DEPTH), 6.5);
}

#[test]
fn a_broken_file_is_named_with_its_line_and_changes_nothing() {
    let (mut harness, folder) = sheet_beside_files();
    let seats = folder.path().join("seats");
    std::fs::create_dir_all(&seats).expect("a folder");
    std::fs::write(seats.join("Bad.toml"), "depth = 9\nbearing = 99\n").expect("a file");
    let before = harness.state().values.clone();
    click(&mut harness, "Seat files");
    click(&mut harness, "Bad, own");
    assert_eq!(harness.state().values, before);
    assert!(harness.state().edits.is_empty(), "{:?}", harness.state().edits);
    assert!(
        harness.query_by_label_contains("Bad.toml, line 2: bearing = 99 is out of range").is_some(),
        "the sheet says what is wrong"
    );
    // A folder that cannot be written: said, and nothing is lost.
    std::fs::remove_dir_all(&seats).expect("it was made above");
    std::fs::write(&seats, b"in the way").expect("a file");
    type_name(&mut harness, Filed::Seat, "Save this seat as", "Any");
    click(&mut harness, "Save");
    assert!(harness.query_by_label_contains("cannot be written").is_some());
}

/// The last row of values, what is said under them, and the title block.
#[test]
fn nothing_of_the_schedule_overlaps() {
    let harness = sheet();
    let help = harness.get_by_label_contains("Drag a value, or click and type").rect();
    let title = place(&harness, "Dark paper");
    let rows: Vec<Rect> = Settings::parameters()
        .filter(|parameter| !["dry", "bypass"].contains(&parameter.id))
        .map(|parameter| place(&harness, parameter.name))
        .collect();
    for (index, row) in rows.iter().enumerate() {
        assert!(row.bottom() <= help.top(), "row {index}");
        assert!(
            rows[..index].iter().all(|other| !row.shrink(0.5).intersects(other.shrink(0.5))),
            "row {index}"
        );
    }
    // Three lines of small text have room for a notice.
    assert!(help.height() >= 3.0 * 11.8 && help.bottom() <= title.top(), "{help:?}");
}

#[test]
fn any_window_is_survived() {
    for (width, height) in [(1.0, 1.0), (30.0, 900.0), (5000.0, 41.0), (750.0, 525.0), (2000.0, 1400.0)] {
        let [own_width, own_height] = Sheet::SIZE_POINTS;
        let mut harness = sheet();
        harness.set_size(egui::vec2(width, height));
        (0..3).for_each(|_| harness.step());
        harness.set_size(egui::vec2(own_width, own_height));
        (0..3).for_each(|_| harness.step());
        assert!(place(&harness, "Depth").is_positive());
    }
}

#[test]
fn nothing_is_drawn_anew_when_nothing_changes() {
    let mut harness = sheet();
    // `run` fails where the sheet keeps asking for another frame.
    harness.run();
    assert!(!harness.ctx.has_requested_repaint());
}
