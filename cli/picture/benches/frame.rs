//! One frame of the sheet: laid out, drawn as shapes, and turned into triangles.

use divan::Bencher;
use egui::{Context, RawInput, Rect, Vec2};
use rostra::editor::sheet::Sheet;
use rostra::editor::values::{Edit, Values};
use rostra_dsp::Settings;
use rostra_dsp::settings::DEPTH;

fn main() {
    divan::main();
}

/// The seat moves from frame to frame.
#[divan::bench]
fn moving(bencher: Bencher) {
    frames(bencher, 0.01);
}

/// Only the pointer moves.
#[divan::bench]
fn still(bencher: Bencher) {
    frames(bencher, 0.0);
}

fn frames(bencher: Bencher, step_m: f64) {
    let context = Context::default();
    let mut sheet = Sheet::default();
    let mut values = Values::from(&Settings::default());
    let screen = Rect::from_min_size(egui::Pos2::ZERO, Vec2::from(Sheet::SIZE_POINTS));
    let mut frame = move || {
        let depth_m = 2.0 + (values.value(DEPTH) + step_m) % 8.0;
        values.apply(Edit::Set(DEPTH, depth_m));
        let input = RawInput { screen_rect: Some(screen), ..RawInput::default() };
        let mut output = context.run_ui(input, |ui| {
            sheet.show(ui, &values);
        });
        // Nothing shows the letters here.
        output.textures_delta.clear();
        divan::black_box(context.tessellate(output.shapes, output.pixels_per_point));
    };
    frame();
    bencher.bench_local(frame);
}
