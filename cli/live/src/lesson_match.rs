//! The lessons at one loudness, found beside what plays: rendering takes a moment, and nobody is to wait for it.

use std::sync::mpsc::{Receiver, channel};
use std::thread;

use crate::lessons::Lesson;

/// A thread that renders lessons and tells each with its seats trimmed.
pub(crate) struct LessonMatch {
    found: Receiver<(usize, Lesson)>,
}

impl LessonMatch {
    /// Starts on all lessons, with the one at `first`; `None` where the system gives no thread.
    ///
    /// A lesson that cannot be rendered is left out: it plays as it is written.
    pub(crate) fn start(lessons: &[Lesson], first: usize) -> Option<Self> {
        let mut lessons: Vec<(usize, Lesson)> = lessons.iter().cloned().enumerate().collect();
        let before = first.min(lessons.len());
        lessons.rotate_left(before);
        let (tell, found) = channel();
        let work = move || {
            for (place, mut lesson) in lessons {
                let is_matched = lesson.render_matched().is_ok() && lesson.matched_lufs.is_some();
                // Once nobody asks any more, there is nothing left to do.
                if is_matched && tell.send((place, lesson)).is_err() {
                    return;
                }
            }
        };
        thread::Builder::new().name("lesson loudness".into()).spawn(work).ok()?;
        Some(Self { found })
    }

    /// Returns a lesson that was found since it was last asked, and its place.
    pub(crate) fn take(&self) -> Option<(usize, Lesson)> {
        self.found.try_recv().ok()
    }
}
