//! The editor in a real window of a real host, on a display that nobody sees.
//!
//! This test starts an X server without a screen (Xvfb) and itself once more as
//! its client. The host embeds the editor into a window of its own, looks at
//! the pixels, and moves the mouse as a person would (the XTEST extension).

use std::collections::BTreeSet;
use std::ffi::OsString;
use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use clack_host::prelude::*;
use vst3_host::{ParameterEditKind, WindowHandle};
use x11rb::connection::Connection as _;
use x11rb::protocol::xproto::{
    BUTTON_PRESS_EVENT, BUTTON_RELEASE_EVENT, ConnectionExt as _, CreateWindowAux, ImageFormat,
    MOTION_NOTIFY_EVENT, Window, WindowClass,
};
use x11rb::protocol::xtest::ConnectionExt as _;
use x11rb::rust_connection::RustConnection;

use super::clap_host::{Clap, Host, Playing, Start, process};
use super::raw_vst3::{Block, Changes, REALTIME, SEAT};
use super::sound::{Sound, noise_burst};
use super::vst3_host::{View, Vst3, raw};

/// Says to the inner run what it has to do.
const ROLE: &str = "ROSTRA_WINDOW_ROLE";
/// Size of the sheet at a scale of 1.
const SIZE: (u16, u16) = (1000, 700);
/// Colours that a sheet has at least: ink, paper, surfaces, and the smoothed edges between them.
pub(crate) const LEAST_COLOURS: usize = 40;
/// Most that is waited for a window, s; machines that test are busy.
pub(crate) const PATIENCE: Duration = Duration::from_secs(20);
/// Times that the window is opened and closed.
const OPENINGS: usize = 100;
/// Most memory that openings may leave behind, MiB: a tenth of a sheet's pixels each would show.
const MOST_GROWN_MIB: f64 = 20.0;
/// Where the player's mark of the default seat lies, and where 9 m deep on a riser of 1 m lies: 22 points a metre.
const PLAYER: (i16, i16) = (170, 238);
const DEEP_AND_HIGH: (i16, i16) = (258, 216);
/// Where the menu of seat files lies, and the first of one's own in it once it is open.
const SEAT_FILES: (i16, i16) = (955, 18);
const FIRST_FILE: (i16, i16) = (830, 52);
/// The first of one's own seat files, and what it sets, m.
const SEAT_FILE: &str = "depth = 8.25\nriser = 0.75\n";
const SEAT_FILE_M: [f64; 2] = [8.25, 0.75];

/// An X server while it lives.
pub(crate) struct Server {
    child: Child,
    pub(crate) display: String,
}

impl Server {
    /// Starts one; `None` where there is none to start.
    pub(crate) fn start() -> Option<Self> {
        let mut child = Command::new("Xvfb")
            .args(["-displayfd", "1", "-screen", "0", "1280x900x24", "-nolisten", "tcp", "+extension", "GLX"])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .ok()?;
        let mut number = String::new();
        let output = child.stdout.take().expect("a pipe");
        BufReader::new(output).read_line(&mut number).expect("the server says its number");
        let server = Self { child, display: format!(":{}", number.trim()) };
        // One that dies at once says nothing.
        (server.display.len() > 1).then_some(server)
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Says whether the library is there that the window opens at run time.
pub(crate) fn has_open_gl() -> bool {
    let folders = std::fs::read_dir("/usr/lib").into_iter().flatten().flatten().map(|entry| entry.path());
    folders
        .chain(["/usr/lib".into(), "/usr/lib64".into()])
        .any(|folder: std::path::PathBuf| folder.join("libEGL.so.1").exists())
}

/// Runs `inside` in a process of its own that has a display; `name` is the test's.
fn with_a_display(name: &str, inside: fn()) {
    if std::env::var_os(ROLE).is_some() {
        let before = threads();
        inside();
        wait_for_threads_of_windows(&before);
        return;
    }
    let Some(server) = Server::start().filter(|_| has_open_gl()) else {
        eprintln!("Skipped: there is no Xvfb or no OpenGL; on Debian, install xvfb, libegl1 and libgl1");
        return;
    };
    let files = tempfile::tempdir().expect("a folder");
    std::fs::create_dir(files.path().join("seats")).expect("a folder");
    std::fs::write(files.path().join("seats/A seat.toml"), SEAT_FILE).expect("a file");
    let output = Command::new(std::env::current_exe().expect("this program"))
        .args([name, "--exact", "--nocapture"])
        .env("DISPLAY", &server.display)
        .env(ROLE, "client")
        .env("ROSTRA_FILES", files.path())
        // Each window has a thread, and each thread would get a pool of memory of its own, which
        // glibc keeps (mallopt(3)): with one pool, what grows is what leaks.
        .env("MALLOC_ARENA_MAX", "1")
        .output()
        .expect("this program starts");
    let said = String::from_utf8_lossy(&output.stderr);
    let status = output.status;
    assert!(status.success(), "{status}\n{}\n{said}", String::from_utf8_lossy(&output.stdout));
    eprintln!("{said}");
}

#[test]
fn the_clap_shows_the_sheet_and_a_drag_of_the_player_moves_the_seat() {
    let name = "window::the_clap_shows_the_sheet_and_a_drag_of_the_player_moves_the_seat";
    with_a_display(name, inside_a_clap_host);
}

#[test]
fn the_vst3_shows_the_sheet_and_a_drag_of_the_player_moves_the_seat() {
    let name = "window::the_vst3_shows_the_sheet_and_a_drag_of_the_player_moves_the_seat";
    with_a_display(name, inside_a_vst3_host);
}

/// The host: a window, an instance that plays, and a hand.
pub(crate) struct Screen {
    connection: RustConnection,
    root: Window,
    pub(crate) parent: Window,
}

impl Screen {
    pub(crate) fn open() -> Self {
        let (connection, number) = x11rb::connect(None).expect("the server answers");
        let screen = &connection.setup().roots[number];
        let (root, visual) = (screen.root, screen.root_visual);
        let parent = connection.generate_id().expect("an id");
        let depth = x11rb::COPY_DEPTH_FROM_PARENT;
        let class = WindowClass::INPUT_OUTPUT;
        let aux = CreateWindowAux::new().background_pixel(0);
        connection
            .create_window(depth, parent, root, 0, 0, SIZE.0, SIZE.1, 0, class, visual, &aux)
            .expect("a window");
        connection.map_window(parent).expect("shown");
        connection.flush().expect("sent");
        Self { connection, root, parent }
    }

    /// Returns the pixels of the host's window, and what is in it.
    pub(crate) fn pixels(&self) -> Vec<u8> {
        let image = self
            .connection
            .get_image(ImageFormat::Z_PIXMAP, self.root, 0, 0, SIZE.0, SIZE.1, u32::MAX)
            .expect("asked")
            .reply()
            .expect("an image");
        image.data
    }

    pub(crate) fn colours(&self) -> usize {
        self.pixels()
            .as_chunks::<4>()
            .0
            .iter()
            .map(|[b, g, r, _]| [*r, *g, *b])
            .collect::<BTreeSet<_>>()
            .len()
    }

    fn keep(&self, path: &Path) {
        use std::io::Write as _;
        // A plain pixmap needs no library.
        let mut file = std::fs::File::create(path).expect("a file");
        write!(file, "P6\n{} {}\n255\n", SIZE.0, SIZE.1).expect("written");
        let rgb: Vec<u8> =
            self.pixels().as_chunks::<4>().0.iter().flat_map(|[b, g, r, _]| [*r, *g, *b]).collect();
        file.write_all(&rgb).expect("written");
    }

    fn event(&self, kind: u8, button: u8, at: (i16, i16)) {
        self.connection.xtest_fake_input(kind, button, 0, self.root, at.0, at.1, 0).expect("sent");
        self.connection.flush().expect("sent");
        std::thread::sleep(Duration::from_millis(40));
    }

    /// Takes the first of one's own seat files from the menu.
    fn take_a_seat_file(&self) {
        for at in [SEAT_FILES, FIRST_FILE] {
            self.event(MOTION_NOTIFY_EVENT, 0, at);
            self.event(BUTTON_PRESS_EVENT, 1, at);
            self.event(BUTTON_RELEASE_EVENT, 1, at);
            // The menu opens in one frame and is filled in the next.
            std::thread::sleep(Duration::from_millis(300));
        }
    }

    /// Drags the player and waits until `depth_m` says that the seat has followed; returns where it is.
    ///
    /// A sheet that was only just drawn may not be ready for a hand on a busy machine: where nothing moved, the hand tries
    /// again.
    fn drag_the_player(&self, mut depth_m: impl FnMut() -> f64) -> f64 {
        // The clock bounds waiting.
        #[allow(clippy::disallowed_methods)]
        let start = Instant::now();
        let before_m = depth_m();
        loop {
            self.drag(PLAYER, DEEP_AND_HIGH);
            for look in 0_u32.. {
                let now_m = depth_m();
                if (now_m - 9.0).abs() < 0.2 {
                    return now_m;
                }
                assert!(start.elapsed() < PATIENCE, "{now_m} m deep after the drag, {before_m} m before");
                if look > 100 && now_m == before_m {
                    break;
                }
                std::thread::sleep(Duration::from_millis(20));
            }
        }
    }

    fn drag(&self, from: (i16, i16), to: (i16, i16)) {
        self.event(MOTION_NOTIFY_EVENT, 0, from);
        self.event(BUTTON_PRESS_EVENT, 1, from);
        for step in 1..=6 {
            let between = |a: i16, b: i16| a + (b - a) * step / 6;
            self.event(MOTION_NOTIFY_EVENT, 0, (between(from.0, to.0), between(from.1, to.1)));
        }
        self.event(BUTTON_RELEASE_EVENT, 1, to);
    }
}

/// Plays a little, so that what a hand did reaches the host.
fn play(playing: &mut Playing) {
    let input = noise_burst(2).into_iter().map(|channel| channel[..4800].to_vec()).collect();
    playing.render(&input, &[]);
    playing.instance.serve();
}

fn text_of(playing: &mut Playing, name: &str) -> f64 {
    let texts = playing.instance.texts();
    let (_, text) = texts.iter().find(|(of, _)| of == name).expect("a parameter");
    text.split(' ').next().and_then(|number| number.parse().ok()).expect("a number")
}

fn inside_a_clap_host() {
    let screen = Screen::open();
    let mut playing = Clap::new().start(Start { is_offline: false, ..Start::STEREO });
    let (mut longest, mut early_pages) = (Duration::ZERO, 0);
    for opening in 0..OPENINGS {
        // The clock bounds waiting, and says how long opening took; nothing is held against it.
        #[allow(clippy::disallowed_methods)]
        let start = Instant::now();
        playing.instance.open_window(screen.parent);
        playing.instance.serve();
        while screen.colours() < LEAST_COLOURS {
            play(&mut playing);
            assert!(start.elapsed() < PATIENCE, "opening {opening}: the window stays blank");
        }
        longest = Duration::max(longest, start.elapsed());
        if opening == 0 {
            let depth_m = text_of(&mut playing, "Depth");
            assert!((depth_m - 5.0).abs() < 0.01, "{depth_m} m before the drag");
            let depth_m = screen.drag_the_player(|| {
                play(&mut playing);
                text_of(&mut playing, "Depth")
            });
            let riser_m = text_of(&mut playing, "Riser");
            eprintln!("after the drag: {depth_m} m deep, riser {riser_m} m");
            assert!((depth_m - 9.0).abs() < 0.2, "{depth_m} m deep");
            assert!((riser_m - 1.0).abs() < 0.2, "riser {riser_m} m");
            // The picture follows within a frame or two.
            std::thread::sleep(Duration::from_millis(200));
            screen.keep(&Path::new(env!("CARGO_TARGET_TMPDIR")).join("window.ppm"));
            screen.take_a_seat_file();
            play(&mut playing);
            let got = ["Depth", "Riser"].map(|name| text_of(&mut playing, name));
            eprintln!("after a seat file: {} m deep, riser {} m", got[0], got[1]);
            assert_eq!(got, SEAT_FILE_M, "depth and riser in metres");
        }
        if opening % 10 == 1 {
            // A host may ask for anything; the sheet must come back.
            playing.instance.resize_window(1, 1);
            play(&mut playing);
            playing.instance.resize_window(u32::from(SIZE.0), u32::from(SIZE.1));
            while screen.colours() < LEAST_COLOURS {
                play(&mut playing);
                assert!(start.elapsed() < PATIENCE, "opening {opening}: the window stays blank after 1 x 1");
            }
        }
        // Automation runs while the window comes and goes.
        let (id, value) = playing.instance.typed("Bearing", ["-20", "0", "35"][opening % 3]);
        playing.render(&noise_burst(2).into_iter().map(|x| x[..960].to_vec()).collect(), &[(id, value)]);
        if opening == OPENINGS / 4 {
            early_pages = resident_pages();
        }
        playing.instance.close_window();
        while screen.colours() >= LEAST_COLOURS {
            assert!(start.elapsed() < PATIENCE, "opening {opening}: the window does not go");
            std::thread::sleep(Duration::from_millis(5));
        }
    }
    eprintln!(
        "{OPENINGS} openings, the longest {:.0} ms until the sheet was there",
        longest.as_secs_f64() * 1e3
    );
    // What three quarters of the openings left behind; a sheet alone has 2.8 MB of pixels.
    let grown_mib = resident_pages().saturating_sub(early_pages) as f64 * 4096.0 / f64::from(1 << 20);
    eprintln!("{grown_mib:.1} MiB more memory after {} openings", OPENINGS * 3 / 4);
    assert!(grown_mib < MOST_GROWN_MIB, "{grown_mib} MiB leaked");
    playing.stop();
}

/// Returns what this process has in memory, in pages of 4 KiB (proc(5): the second field of statm).
fn resident_pages() -> u64 {
    let text = std::fs::read_to_string("/proc/self/statm").expect("proc is mounted");
    text.split_whitespace().nth(1).and_then(|pages| pages.parse().ok()).expect("a number")
}

/// The framework as it is published asks for its first frame once, before the window listens: the window stays blank.
#[test]
fn a_host_that_waits_before_it_shows_the_window_sees_the_sheet() {
    let name = "window::a_host_that_waits_before_it_shows_the_window_sees_the_sheet";
    with_a_display(name, || {
        let screen = Screen::open();
        let mut playing = Clap::new().start(Start { is_offline: false, ..Start::STEREO });
        for pause_ms in [0, 50, 300, 600, 1000] {
            // The clock bounds waiting.
            #[allow(clippy::disallowed_methods)]
            let start = Instant::now();
            let pause = Duration::from_millis(pause_ms);
            playing.instance.open_window_after(screen.parent, pause);
            while screen.colours() < LEAST_COLOURS {
                play(&mut playing);
                assert!(start.elapsed() < PATIENCE, "shown after {pause_ms} ms: the window stays blank");
            }
            playing.instance.close_window();
            while screen.colours() >= LEAST_COLOURS {
                assert!(start.elapsed() < PATIENCE, "the window does not go");
                std::thread::sleep(Duration::from_millis(5));
            }
        }
        playing.stop();
    });
}

/// Where the title block offers the seat that the track's name suggests.
const SUGGESTION: (i16, i16) = (790, 678);

#[test]
fn a_click_takes_the_seat_that_the_tracks_name_suggests() {
    let name = "window::a_click_takes_the_seat_that_the_tracks_name_suggests";
    with_a_display(name, || {
        let screen = Screen::open();
        for (track, is_seated) in [(Some("Horns 2"), true), (Some("Bus A"), false), (None, false)] {
            let mut playing =
                Clap::on_track(c"rostra.seat", track).start(Start { is_offline: false, ..Start::STEREO });
            // The clock bounds waiting.
            #[allow(clippy::disallowed_methods)]
            let start = Instant::now();
            playing.instance.open_window(screen.parent);
            while screen.colours() < LEAST_COLOURS {
                play(&mut playing);
                assert!(start.elapsed() < PATIENCE, "the window stays blank");
            }
            assert!((text_of(&mut playing, "Depth") - 5.0).abs() < 0.01, "{track:?}: nothing is set before");
            screen.event(MOTION_NOTIFY_EVENT, 0, SUGGESTION);
            screen.event(BUTTON_PRESS_EVENT, 1, SUGGESTION);
            screen.event(BUTTON_RELEASE_EVENT, 1, SUGGESTION);
            std::thread::sleep(Duration::from_millis(200));
            play(&mut playing);
            let depth_m = text_of(&mut playing, "Depth");
            let texts = playing.instance.texts();
            let (_, radiation) = texts.iter().find(|(of, _)| of == "Radiation").expect("a parameter");
            eprintln!("{track:?}: {depth_m} m deep, {radiation}");
            assert_eq!(
                depth_m > 8.0 && radiation == "rear bell",
                is_seated,
                "{track:?}: {depth_m} m, {radiation}"
            );
            playing.instance.close_window();
            while screen.colours() >= LEAST_COLOURS {
                assert!(start.elapsed() < PATIENCE, "the window does not go");
                std::thread::sleep(Duration::from_millis(5));
            }
            playing.stop();
        }
    });
}

/// Times that the window comes and goes under automation.
const OPENINGS_UNDER_AUTOMATION: usize = 60;

/// In the framework as it is published each change of a parameter posts a task, and a background thread that runs it
/// while the window opens or closes ends the host.
#[test]
fn the_vst3_survives_automation_while_its_window_opens_and_closes() {
    let name = "window::the_vst3_survives_automation_while_its_window_opens_and_closes";
    with_a_display(name, || {
        let screen = Screen::open();
        let state = Clap::new().save();
        let mut vst3 = Vst3::new(2, 2, &state[8..]);
        let ids: Vec<u32> = ["Depth", "Bearing", "Facing", "Source width", "Platform balance", "Trim"]
            .map(|name| vst3.plugin.find_parameter(name).expect("the name is known").id)
            .to_vec();
        for opening in 0..OPENINGS_UNDER_AUTOMATION {
            for is_opening in [true, false] {
                // On a thread that is not the host's main one, as audio is.
                std::thread::scope(|scope| {
                    scope.spawn(|| vst3.automate(&ids, opening));
                });
                if is_opening {
                    vst3.plugin.open_editor(WindowHandle::from_x11(screen.parent)).expect("the editor opens");
                } else {
                    vst3.plugin.close_editor().expect("the editor closes");
                }
            }
        }
        eprintln!("{OPENINGS_UNDER_AUTOMATION} openings under automation");
    });
}

/// Looks at the sheet every 25 ms until it is as wished; returns its pixels.
fn seen(screen: &Screen, what: &str, mut is_wished: impl FnMut(&[u8]) -> bool) -> Vec<u8> {
    // The clock bounds waiting: three times as long as for a window, as every look takes its time on a busy machine.
    #[allow(clippy::disallowed_methods)]
    let start = Instant::now();
    loop {
        let pixels = screen.pixels();
        if is_wished(&pixels) {
            return pixels;
        }
        assert!(start.elapsed() < 3 * PATIENCE, "{what}");
        std::thread::sleep(Duration::from_millis(25));
    }
}

/// Waits until the sheet shows and stands still; returns its pixels.
fn settled(screen: &Screen) -> Vec<u8> {
    seen(screen, "the window stays blank", |_| screen.colours() >= LEAST_COLOURS);
    let (mut last, mut still) = (Vec::new(), 0);
    seen(screen, "the sheet never stands still", |pixels| {
        still = if *pixels == *last { still + 1 } else { 0 };
        pixels.clone_into(&mut last);
        still == 10
    })
}

/// Waits until the sheet shows something else.
fn assert_changes(screen: &Screen, before: &[u8], what: &str) {
    seen(screen, &format!("{what}: the sheet does not follow"), |pixels| pixels != before);
}

/// Nobody serves the main thread, nothing sounds: a point of automation alone moves the sheet; no point leaves it still.
#[test]
fn both_sheets_follow_automation_by_themselves() {
    let name = "window::both_sheets_follow_automation_by_themselves";
    with_a_display(name, || {
        const FRAMES: usize = 256;
        let screen = Screen::open();
        let vst3 = raw(&SEAT);
        let id = vst3.id("Depth");
        vst3.start(48_000.0, FRAMES as i32, REALTIME);
        let view = View::open(&vst3, screen.parent);
        let play = |points: Vec<(i32, f64)>| {
            let player = vst3.clone();
            std::thread::scope(|scope| {
                scope.spawn(move || {
                    let mut block = Block::new(2, 2, FRAMES);
                    block.change(Changes::new([(id, points)]));
                    player.process(&mut block.data())
                });
            });
        };
        let before = settled(&screen);
        play(Vec::new());
        assert_eq!(settled(&screen), before, "nothing changed");
        play(vec![(9, 0.9)]);
        assert_changes(&screen, &before, "VST3, automation");
        let before = settled(&screen);
        vst3.set(id, 0.1);
        assert_changes(&screen, &before, "VST3, controller");
        view.close();
        vst3.stop();

        let screen = Screen::open();
        let mut clap = Clap::new();
        clap.open_window(screen.parent);
        let (id, far) = clap.typed("Depth", "20 m");
        let before = settled(&screen);
        clap.set_values(&[(id, far)]);
        assert_changes(&screen, &before, "CLAP, a flush");
        let near = clap.typed("Depth", "1 m").1;
        let before = settled(&screen);
        let mut playing = clap.start(Start { is_offline: false, ..Start::STEREO });
        playing.render(&vec![vec![0.0; 512]; 2], &[(id, near)]);
        assert_changes(&screen, &before, "CLAP, automation");
        let mut clap = playing.stop();
        clap.close_window();
    });
}

fn inside_a_vst3_host() {
    let screen = Screen::open();
    let state = Clap::new().save();
    // The CLAP writes the length first.
    let mut vst3 = Vst3::new(2, 2, &state[8..]);
    let depth_m = Vst3::depth_m;
    assert!((depth_m(&vst3) - 5.0).abs() < 0.05, "{} m before the drag", depth_m(&vst3));
    for opening in 0..5 {
        // The clock bounds waiting.
        #[allow(clippy::disallowed_methods)]
        let start = Instant::now();
        vst3.plugin.open_editor(WindowHandle::from_x11(screen.parent)).expect("the editor opens");
        while screen.colours() < LEAST_COLOURS {
            assert!(start.elapsed() < PATIENCE, "opening {opening}: the window stays blank");
            std::thread::sleep(Duration::from_millis(5));
        }
        if opening == 0 {
            screen.drag(PLAYER, DEEP_AND_HIGH);
            let input = noise_burst(2).into_iter().map(|channel| channel[..4800].to_vec()).collect();
            let id = vst3.plugin.find_parameter("Depth").expect("the name is known").id;
            let mut kinds: Vec<ParameterEditKind> = Vec::new();
            let mut looks = 0;
            // The window takes what the hand did frame by frame.
            while kinds.last() != Some(&ParameterEditKind::EndGesture) && start.elapsed() < PATIENCE {
                looks += 1;
                // On a busy machine it may not have been ready for the hand.
                if looks % 400 == 0 && kinds.is_empty() {
                    screen.drag(PLAYER, DEEP_AND_HIGH);
                }
                let edits = vst3.plugin.take_parameter_edits();
                kinds.extend(edits.iter().filter(|edit| edit.id == id).map(|edit| edit.kind.clone()));
                std::thread::sleep(Duration::from_millis(5));
            }
            vst3.render(&input);
            let count = |kind: ParameterEditKind| kinds.iter().filter(|&of| *of == kind).count();
            assert_eq!(kinds.first(), Some(&ParameterEditKind::BeginGesture), "{kinds:?}");
            assert_eq!(kinds.last(), Some(&ParameterEditKind::EndGesture), "{kinds:?}");
            assert_eq!(count(ParameterEditKind::BeginGesture), 1, "{kinds:?}");
            assert_eq!(count(ParameterEditKind::EndGesture), 1, "{kinds:?}");
            eprintln!("after the drag: {:.2} m deep, one gesture of {} edits", depth_m(&vst3), kinds.len());
            assert!((depth_m(&vst3) - 9.0).abs() < 0.2, "{} m deep", depth_m(&vst3));
            screen.take_a_seat_file();
            let mut kinds: Vec<ParameterEditKind> = Vec::new();
            while kinds.last() != Some(&ParameterEditKind::EndGesture) && start.elapsed() < PATIENCE {
                let edits = vst3.plugin.take_parameter_edits();
                kinds.extend(edits.iter().filter(|edit| edit.id == id).map(|edit| edit.kind.clone()));
                std::thread::sleep(Duration::from_millis(5));
            }
            vst3.render(&input);
            assert_eq!(kinds.len(), 3, "begin, set, end: {kinds:?}");
            assert_eq!(kinds.first(), Some(&ParameterEditKind::BeginGesture), "{kinds:?}");
            eprintln!("after a seat file: {:.2} m deep, one gesture", depth_m(&vst3));
            assert!((depth_m(&vst3) - SEAT_FILE_M[0]).abs() < 0.005, "{} m deep", depth_m(&vst3));
        }
        vst3.plugin.close_editor().expect("the editor closes");
    }
}

/// Times that each window opens beside an audio thread.
const OPENINGS_BESIDE_AUDIO: usize = 5;

/// What the audio thread does until it is told to end: noise, and a change of one parameter in every block.
fn play_on(
    mut processor: StartedPluginAudioProcessor<Host>,
    id: ClapId,
    is_over: &AtomicBool,
) -> (StartedPluginAudioProcessor<Host>, usize) {
    let input: Sound = noise_burst(2).into_iter().map(|channel| channel[..512].to_vec()).collect();
    let start = Start { is_offline: false, ..Start::STEREO };
    let mut blocks = 0;
    while !is_over.load(Ordering::Acquire) {
        let value = 0.4 + 0.2 * (blocks % 50) as f64 / 50.0;
        let output = process(&mut processor, start, 512 * blocks as u64, &input, &[(0, id, value)]);
        assert!(output.iter().flatten().all(|x| x.is_finite()), "block {blocks}");
        blocks += 1;
        std::thread::sleep(Duration::from_millis(2));
    }
    (processor, blocks)
}

fn depth_m_of(texts: &[(String, String)]) -> f64 {
    let (_, depth) = texts.iter().find(|(of, _)| of == "Depth").expect("a parameter");
    depth.trim_end_matches(" m").parse().expect("a number")
}

/// Opens, looks, does something by hand, closes, times over.
fn open_and_close(screen: &Screen, clap: &mut Clap, mut by_hand: impl FnMut(usize, &mut Clap)) {
    for opening in 0..OPENINGS_BESIDE_AUDIO {
        // The clock bounds waiting.
        #[allow(clippy::disallowed_methods)]
        let start = Instant::now();
        clap.open_window(screen.parent);
        while screen.colours() < LEAST_COLOURS {
            clap.serve();
            assert!(start.elapsed() < PATIENCE, "opening {opening}: the window stays blank");
            std::thread::sleep(Duration::from_millis(5));
        }
        by_hand(opening, clap);
        clap.close_window();
        while screen.colours() >= LEAST_COLOURS {
            assert!(start.elapsed() < PATIENCE, "opening {opening}: the window does not go");
            std::thread::sleep(Duration::from_millis(5));
        }
    }
}

#[test]
fn the_clap_sheets_are_handled_while_audio_runs_on_its_own_thread() {
    let name = "window::the_clap_sheets_are_handled_while_audio_runs_on_its_own_thread";
    with_a_display(name, || {
        let screen = Screen::open();
        for (id, turned) in [(c"rostra.seat", "Bearing"), (c"rostra.hall", "Hall width")] {
            let clap = Clap::of(id);
            let (mut clap, processor) = clap.start(Start { is_offline: false, ..Start::STEREO }).parted();
            let described = clap.parameters();
            let turned = described.iter().find(|of| of.name == turned).expect("the name is known").id;
            let is_over = AtomicBool::new(false);
            let (processor, blocks) = std::thread::scope(|scope| {
                let audio = scope.spawn(|| play_on(processor, turned, &is_over));
                open_and_close(&screen, &mut clap, |opening, clap| {
                    if opening > 0 || id == c"rostra.hall" {
                        // States come and go beside both.
                        let state = clap.save();
                        assert!(clap.load(&state));
                        return;
                    }
                    let depth_m = screen.drag_the_player(|| {
                        clap.serve();
                        depth_m_of(&clap.texts())
                    });
                    eprintln!("after a drag beside audio: {depth_m} m deep");
                });
                is_over.store(true, Ordering::Release);
                audio.join().expect("the audio thread ends in peace")
            });
            eprintln!("{id:?}: {OPENINGS_BESIDE_AUDIO} openings beside {blocks} blocks");
            clap.plugin.deactivate(processor.stop_processing());
        }
    });
}

#[test]
fn the_vst3_sheet_is_handled_while_audio_runs_on_its_own_thread() {
    let name = "window::the_vst3_sheet_is_handled_while_audio_runs_on_its_own_thread";
    with_a_display(name, || {
        let screen = Screen::open();
        let state = Clap::new().save();
        let mut vst3 = Vst3::new(2, 2, &state[8..]);
        let id = vst3.plugin.find_parameter("Trim").expect("the name is known").id;
        for opening in 0..OPENINGS_BESIDE_AUDIO {
            // The clock bounds waiting.
            #[allow(clippy::disallowed_methods)]
            let start = Instant::now();
            vst3.plugin.open_editor(WindowHandle::from_x11(screen.parent)).expect("the editor opens");
            let (is_over, depth_bits) = (AtomicBool::new(false), AtomicU64::new(0));
            let rounds = std::thread::scope(|scope| {
                // This host's library lends its plug-in to one thread at a time; the window has a thread of its own.
                let audio = scope.spawn(|| {
                    let mut rounds = 0;
                    while !is_over.load(Ordering::Acquire) {
                        vst3.automate(&[id], rounds);
                        vst3.plugin.take_parameter_edits();
                        depth_bits.store(vst3.depth_m().to_bits(), Ordering::Release);
                        rounds += 1;
                    }
                    rounds
                });
                while screen.colours() < LEAST_COLOURS {
                    assert!(start.elapsed() < PATIENCE, "opening {opening}: the window stays blank");
                    std::thread::sleep(Duration::from_millis(5));
                }
                if opening == 0 {
                    let heard_m = || f64::from_bits(depth_bits.load(Ordering::Acquire));
                    while heard_m() == 0.0 {
                        std::thread::sleep(Duration::from_millis(5));
                    }
                    let depth_m = screen.drag_the_player(heard_m);
                    eprintln!("VST3, after a drag beside audio: {depth_m:.2} m deep");
                }
                is_over.store(true, Ordering::Release);
                audio.join().expect("the audio thread ends in peace")
            });
            assert!(rounds > 0);
            vst3.plugin.close_editor().expect("the editor closes");
        }
    });
}

/// Waits until every thread that is not among `before` has ended.
///
/// The adapter's window thread outlives the call that closes the window. A
/// program that ends while it still takes its OpenGL down crashes in the driver.
pub(crate) fn wait_for_threads_of_windows(before: &BTreeSet<OsString>) {
    // The clock bounds waiting.
    #[allow(clippy::disallowed_methods)]
    let closed = Instant::now();
    while !threads().is_subset(before) {
        assert!(closed.elapsed() < PATIENCE, "threads of the window are left");
        std::thread::sleep(Duration::from_millis(5));
    }
}

/// Returns the threads of this program; none where the system does not tell.
pub(crate) fn threads() -> BTreeSet<OsString> {
    std::fs::read_dir("/proc/self/task")
        .map(|tasks| tasks.filter_map(Result::ok).map(|task| task.file_name()).collect())
        .unwrap_or_default()
}
