//! What is heard: levels, the switches that compare, loudness against the dry channel, and what is left in mono.

use egui::{Align2, Id, Rect, Role, Sense, Ui, WidgetInfo, pos2};
use rostra_dsp::measure::{MOST_THIRD_LOSS_DB, ThirdLevel};
use rostra_dsp::settings::{BYPASSED, DRY, TRIM};

use super::figures::{self, ROW};
use super::pen::{Pen, SMALL, TEXT, area};
use super::seat_view::SeatView;
use super::sheet::Levels;
use super::values::{Edit, Values};

/// What the line on mono is, and what to do where too much is lost.
const MONO_KEPT: &str = "What left + right keep of this seat in the third of an octave that loses most, 100 Hz to 10 kHz, platform included. Unrelated channels lose 3 dB.";
const MONO_LOST: &str = "Left and right cancel in this third of an octave when they are summed to mono. Coincident main microphones lose least; another bearing, or more platform, fills the gap.";

/// What the line on loudness is, and what its button does.
const AS_LOUD: &str = "How much louder the placed sound is than the dry channel, over the last three seconds (ITU-R BS.1770). A channel with both sides alike counts as it sits in the centre of a mix, at equal power. A room answers each note differently, so let it hear a whole passage.";
const TRIMMED: &str =
    "Sets Trim so that the placed sound is as loud as the dry channel over the last three seconds.";
/// Difference of loudness under which there is nothing to trim, LU: half of what is shown.
const LEAST_LU: f32 = 0.05;

/// Shows levels and switches.
pub(super) fn show(
    ui: &Ui,
    pen: &Pen,
    room: Rect,
    levels: Option<Levels>,
    view: &SeatView,
    values: &Values,
    edits: &mut Vec<Edit>,
) {
    pen.heading(room, "LISTEN");
    let (x, y) = (room.left(), room.top() + 20.0);
    for (row, (name, level_dbfs)) in
        [("in", levels.map(|levels| levels.input_dbfs)), ("out", levels.map(|levels| levels.output_dbfs))]
            .into_iter()
            .enumerate()
    {
        meter(pen, area(x, y + 15.0 * row as f32, room.width(), 11.0), name, level_dbfs);
    }
    let y = y + 34.0;
    figures::switch(ui, pen, area(x, y, 110.0, ROW), DRY, values, edits);
    figures::switch(ui, pen, area(x + 126.0, y, 100.0, ROW), BYPASSED, values, edits);
    let row = area(x, y + 19.0, room.width(), 13.0);
    as_loud(ui, pen, row, levels.and_then(|levels| levels.placed_lu), values, edits);
    in_mono(ui, pen, area(x, y + 34.0, room.width(), 13.0), &view.in_mono);
}

/// Draws a level against full scale.
pub fn meter(pen: &Pen, row: Rect, name: &str, level_dbfs: Option<f32>) {
    const LOWEST_DBFS: f32 = -60.0;
    pen.text(pos2(row.left(), row.center().y), Align2::LEFT_CENTER, TEXT, pen.ink.line, name);
    let bar = Rect::from_min_max(pos2(row.left() + 26.0, row.top() + 1.0), row.max - egui::vec2(62.0, 1.0));
    pen.fill(bar, pen.ink.shade);
    let level_dbfs = level_dbfs.unwrap_or(f32::NEG_INFINITY);
    let share = ((level_dbfs - LOWEST_DBFS) / -LOWEST_DBFS).clamp(0.0, 1.0);
    let is_over = level_dbfs > 0.0;
    let colour = if is_over { pen.ink.notice } else { pen.ink.line };
    pen.fill(Rect::from_min_size(bar.min, egui::vec2(bar.width() * share, bar.height())), colour);
    for level in [-40.0, -20.0] {
        let x = bar.left() + bar.width() * (level - LOWEST_DBFS) / -LOWEST_DBFS;
        pen.line(&[pos2(x, bar.top()), pos2(x, bar.bottom())], 0.8, pen.ink.paper);
    }
    let text = if level_dbfs > LOWEST_DBFS { format!("{level_dbfs:.1} dBFS") } else { "silent".to_owned() };
    pen.text(row.right_center(), Align2::RIGHT_CENTER, SMALL, colour, text);
}
/// Says how much louder the placed sound is, and offers the trim that makes it as loud.
fn as_loud(ui: &Ui, pen: &Pen, row: Rect, placed_lu: Option<f32>, values: &Values, edits: &mut Vec<Edit>) {
    let text = placed_lu.map_or_else(
        || "Loudness: once both have been heard".to_owned(),
        |placed_lu| format!("Placed {placed_lu:+.1} LU against dry"),
    );
    let said = ui.interact(pen.rect(row), Id::unique("as loud"), Sense::hover());
    said.widget_info(|| WidgetInfo::labeled(Role::Label, true, text.as_str()));
    pen.text(pos2(row.left(), row.center().y), Align2::LEFT_CENTER, SMALL, pen.ink.faint, &text);
    figures::show_tip(said, AS_LOUD, pen);
    let Some(placed_lu) = placed_lu.filter(|lu| lu.abs() >= LEAST_LU) else {
        return;
    };
    let place = Rect::from_min_max(pos2(row.right() - 84.0, row.top()), row.max);
    let control = figures::small_button(ui, pen, place, "Trim to dry");
    if control.clicked() {
        edits.extend(Edit::whole(TRIM, trim_to_dry_db(values.value(TRIM), f64::from(placed_lu))));
    }
    figures::show_tip(control, TRIMMED, pen);
}

/// Returns the trim that takes a difference of loudness out, dB, within its range.
fn trim_to_dry_db(trim_db: f64, placed_lu: f64) -> f64 {
    TRIM.on_grid(trim_db - placed_lu)
}

/// Says which third of an octave loses most in mono, in the colour of a notice where that is too much.
fn in_mono(ui: &Ui, pen: &Pen, row: Rect, worst: &ThirdLevel) {
    let text = format!("In mono: worst third {}, {:+.1} dB", worst.name(), worst.level_db);
    let is_lost = worst.level_db < -MOST_THIRD_LOSS_DB;
    let (colour, tip) = if is_lost { (pen.ink.notice, MONO_LOST) } else { (pen.ink.faint, MONO_KEPT) };
    let control = ui.interact(pen.rect(row), Id::unique("in mono"), Sense::hover());
    control.widget_info(|| WidgetInfo::labeled(Role::Label, true, text.as_str()));
    pen.text(row.min, Align2::LEFT_TOP, SMALL, colour, &text);
    figures::show_tip(control, tip, pen);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_trim_takes_the_difference_out_and_stays_in_its_range() {
        assert!((trim_to_dry_db(3.0, 2.5) - 0.5).abs() < 1e-9);
        assert!((trim_to_dry_db(0.0, -1.26) - 1.3).abs() < 1e-9, "on the grid");
        assert!((trim_to_dry_db(0.0, 40.0) + 24.0).abs() < 1e-9, "{}", trim_to_dry_db(0.0, 40.0));
    }
}
