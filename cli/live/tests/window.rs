//! The window without a display: every control of the strip is found by its name, and the keys do what they say.

// An `unwrap` that fails here fails the test that called it.
#![allow(clippy::unwrap_used)]

use std::path::Path;

use anyhow::{Result, bail};
use egui::{Key, Modifiers};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable as _;
use rostra::editor::values::Edit;
use rostra_dsp::Settings;
use rostra_dsp::settings::DRY;
use rostra_files::FileStore;
use rostra_live::booth::{Booth, Heard, Setup};
use rostra_live::dummy::Dummy;
use rostra_live::lessons;
use rostra_live::player::FIRST_LEVEL_DB;
use rostra_live::scene::Scene;
use rostra_live::sound_loop::of_demo;
use rostra_live::window::{LiveView, SIZE_POINTS};

fn no_ear(_: &str, _: u32) -> Result<Heard> {
    bail!("there is no such device")
}

fn booth(input: Option<&str>) -> Booth {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../presets-demo");
    Booth::new(Setup {
        loops: of_demo(&demo).unwrap(),
        chosen: 2,
        input: input.map(str::to_owned),
        listen: no_ear,
        output: Box::new(Dummy::default()),
        rate_hz: None,
        block_frames: None,
        scene: Scene::default(),
        moves: None,
        lessons: lessons::all(&demo).unwrap(),
    })
}

fn open(booth: Booth) -> Harness<'static, LiveView> {
    // Nobody's own files: those of whoever runs this belong in no picture.
    let desk = LiveView::new(booth, FileStore::at("no folder of files"));
    let mut harness = Harness::builder().with_size(SIZE_POINTS).with_step_dt(1.0 / 60.0).build_ui_state(
        |ui, desk: &mut LiveView| {
            let whole = egui::UiBuilder::new().max_rect(ui.ctx().content_rect());
            let mut ui = ui.new_child(whole);
            ui.set_clip_rect(ui.max_rect());
            desk.show(&mut ui);
        },
        desk,
    );
    steps(&mut harness);
    harness
}

fn steps(harness: &mut Harness<'static, LiveView>) {
    (0..4).for_each(|_| harness.step());
}

fn click(harness: &mut Harness<'static, LiveView>, name: &str) {
    harness.get_by_label(name).click();
    // Long enough that the next click is no double one.
    (0..30).for_each(|_| harness.step());
}

fn key(harness: &mut Harness<'static, LiveView>, key: Key) {
    harness.key_press(key);
    steps(harness);
}

fn depth_m(harness: &Harness<'static, LiveView>) -> f64 {
    // To the centimetre, as the plan has it.
    (harness.state().booth.scene.values.settings().seat.depth_m * 100.0).round() / 100.0
}

/// Keeps a picture to be looked at, where that is asked; without a driver that draws there is none.
fn keep(harness: &mut Harness<'static, LiveView>, name: &str) {
    if std::env::var_os("ROSTRA_KEEP_PICTURES").is_none() {
        return;
    }
    if let Ok(picture) = harness.render() {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../target/live-pictures");
        std::fs::create_dir_all(&folder).unwrap();
        picture.save(folder.join(format!("{name}.png"))).unwrap();
    }
}

#[test]
fn every_control_is_found_by_its_name_and_does_what_it_says() {
    let mut harness = open(booth(None));
    click(&mut harness, "Stop");
    assert!(!harness.state().booth.is_playing());
    click(&mut harness, "Play");
    assert!(harness.state().booth.is_playing());
    for name in ["Click", "Hand clap", "Louder", "Store on 2", "2", "Next (N)", "Next (N)", "Back (B)"] {
        click(&mut harness, name);
    }
    assert_eq!(harness.state().booth.level_db(), FIRST_LEVEL_DB + 3.0);
    assert_eq!(harness.state().booth.lesson, Some((0, 0)));
    click(&mut harness, "Quieter");
    assert_eq!(harness.state().booth.level_db(), FIRST_LEVEL_DB);
    harness.get_by_label("Loop").click();
    steps(&mut harness);
    harness.get_by_label("horns").click();
    steps(&mut harness);
    let (loops, chosen) = harness.state().booth.loops();
    assert_eq!(loops[chosen].name, "horns");
    assert!(!harness.state().booth.is_open());
    click(&mut harness, "Try again (R)");
    assert!(harness.state().booth.is_open(), "{:?}", harness.state().booth.said);
    keep(&mut harness, "lesson");
}

#[test]
fn the_keys_do_what_they_say() {
    let mut harness = open(booth(None));
    key(&mut harness, Key::Space);
    assert!(!harness.state().booth.is_playing());
    key(&mut harness, Key::D);
    assert!(harness.state().booth.scene.values.is_on(DRY));
    harness.get_by_label("You hear the dry sound, level-matched. D: back to the seat");
    key(&mut harness, Key::D);
    assert!(!harness.state().booth.scene.values.is_on(DRY));
    // Seats on keys: the demo's at first, then one of our own.
    key(&mut harness, Key::Num3);
    assert_eq!(depth_m(&harness), 10.5);
    harness.get_by_label("Seat on key 3: horns, playing");
    harness.get_by_label("Seat on key 1: violins 1");
    keep(&mut harness, "seat");
    key(&mut harness, Key::Num1);
    assert_eq!(depth_m(&harness), 2.9);
    harness.get_by_label("Seat on key 1: violins 1, playing");
    harness.state_mut().booth.apply(vec![Edit::of_words::<Settings>("depth", "7 m").unwrap()]);
    steps(&mut harness);
    harness.get_by_label("Seat on key 1: violins 1");
    harness.key_press_modifiers(Modifiers::COMMAND, Key::Num2);
    steps(&mut harness);
    key(&mut harness, Key::Num1);
    assert_eq!(depth_m(&harness), 2.9);
    key(&mut harness, Key::Num2);
    assert_eq!(depth_m(&harness), 7.0);
    // Lessons: forward to the end and no further, back to the start and no further.
    let pages: usize = harness.state().booth.lessons().iter().map(|lesson| lesson.seats.len()).sum();
    for _ in 0..pages + 2 {
        key(&mut harness, Key::N);
    }
    let last = harness.state().booth.lessons().len() - 1;
    let last_seat = harness.state().booth.lessons()[last].seats.len() - 1;
    assert_eq!(harness.state().booth.lesson, Some((last, last_seat)));
    harness.get_by_label("That was the last seat.");
    assert_eq!(harness.state().booth.scene.values.settings().seat.players, 8, "the last seat of all");
    for turn in 0..pages + 2 {
        key(&mut harness, Key::PageUp);
        if turn == 0 {
            assert!(harness.query_by_label("That was the last seat.").is_none());
        }
    }
    assert_eq!(harness.state().booth.lesson, Some((0, 0)));
    assert_eq!(harness.state().booth.scene.values.settings().seat.players, 1);
    for strike in [Key::C, Key::H] {
        key(&mut harness, strike);
    }
    // With caps lock on, a letter comes as text alone.
    harness.event(egui::Event::Text("D".to_owned()));
    steps(&mut harness);
    assert!(harness.state().booth.scene.values.is_on(DRY));
    key(&mut harness, Key::R);
    assert!(harness.state().booth.is_open());
}

#[test]
fn a_key_that_is_held_acts_once_and_a_capital_turns_one_page() {
    let mut harness = open(booth(None));
    let press = |key: Key, repeat: bool, modifiers: Modifiers| egui::Event::Key {
        key,
        physical_key: None,
        pressed: true,
        repeat,
        modifiers,
    };
    for repeat in [false, true, true] {
        harness.event(press(Key::Space, repeat, Modifiers::NONE));
        steps(&mut harness);
    }
    assert!(!harness.state().booth.is_playing(), "it flipped once");
    for repeat in [false, true] {
        // Both in one frame, as a keyboard's press comes.
        let text = egui::Event::Text("N".to_owned());
        harness.input_mut().events.extend([press(Key::N, repeat, Modifiers::SHIFT), text]);
        steps(&mut harness);
        assert_eq!(harness.state().booth.lesson, Some((0, 0)));
    }
    // The control: let go and pressed anew it turns the next page.
    let modifiers = Modifiers::NONE;
    let let_go =
        egui::Event::Key { key: Key::N, physical_key: None, pressed: false, repeat: false, modifiers };
    harness.event(let_go);
    key(&mut harness, Key::N);
    key(&mut harness, Key::N);
    assert_eq!(harness.state().booth.lesson, Some((0, 2)));
}

#[test]
fn a_hand_on_the_sheet_moves_what_is_heard_and_digits_there_are_typed() {
    let mut harness = open(booth(None));
    click(&mut harness, "Depth");
    key(&mut harness, Key::ArrowUp);
    assert!((depth_m(&harness) - 5.1).abs() < 1e-9, "{}", depth_m(&harness));
    // With the focus on a figure, a digit is no jump.
    key(&mut harness, Key::Num3);
    assert!((depth_m(&harness) - 5.1).abs() < 1e-9);
    // The space bar is the loop's all the same.
    key(&mut harness, Key::Space);
    assert!(!harness.state().booth.is_playing());
}

#[test]
fn a_microphone_is_shut_at_first_and_warned_of() {
    let mut harness = open(booth(Some("default")));
    assert!(!harness.state().booth.is_playing());
    harness.get_by_label("Unmute");
    keep(&mut harness, "microphone");
    click(&mut harness, "Try again (R)");
    let said = &harness.state().booth.said;
    assert!(said.is_fault && said.line.contains("no such device"), "{said:?}");
    harness.get_by_label(&said.line.clone());
}
