//! `follow`: typesets again at every change of the note, its data or its parts.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use super::args::{self, EditionWord};
use super::console::Console;
use super::exit::Exit;
use super::given::{NoteFile, one_note};
use super::matrix::{matrix, summary};
use super::moved::moved;
use super::sealed::data_files;
use super::solving::{Wish, solve_note};
use super::typeset::{Made, Press, own_look};
use super::typesetter::choose;
use crate::compare::Side;
use crate::disk::{Folder, KeptFolder, Seen, Watch};
use crate::pipeline::Kept;
use crate::results::to_json;
use crate::source::{FileFault, Files};

/// Pause between two looks at the files.
const PAUSE: Duration = Duration::from_millis(50);

/// Files are at rest when two looks this far apart find the same.
const REST: Duration = Duration::from_millis(10);

/// How long a file that is gone may take to come back, as when an editor saves by renaming.
const COMES_BACK: Duration = Duration::from_millis(400);

/// Below the folder of results: what took long, for the next time that the note is followed.
const KEPT: &str = ".kept";

pub(super) fn run(args: &args::Follow, console: &mut Console) -> Exit {
    follow(args, console).err().unwrap_or(Exit::Done)
}

fn follow(args: &args::Follow, console: &mut Console) -> Result<(), Exit> {
    let note = one_note(&args.note, "follow", console)?;
    let look = args.template.as_deref().map(|folder| own_look(folder, console)).transpose()?;
    let typesetter = choose(args.typesetter.as_deref(), false, console)?;
    let stop = Arc::new(AtomicBool::new(false));
    let flag = Arc::clone(&stop);
    if ctrlc::set_handler(move || flag.store(true, Ordering::SeqCst)).is_err() {
        console.note("Ctrl-C will end it at once, in the middle of a run or not");
    }
    let edition = args.edition.map(EditionWord::edition);
    let wish = Wish { with: &args.with, edition, look: look.as_ref(), ..Wish::default() };
    let press = Press { into: &args.into, also: &[], typesetter: Some(&typesetter), threads: None };
    console.note(&format!("following {}; Ctrl-C ends it", note.shown));
    let keeper = KeptFolder::open(&args.into.join(KEPT)).map(Arc::new);
    let kept = keeper.clone().map_or_else(Kept::default, |keeper| Kept::with(keeper));
    let mut turns = Turns { note, wish, press, kept, keeper, last: None };
    let stopped = || stop.load(Ordering::SeqCst);
    while !stopped() {
        let mut watch = turns.turn(&stopped, console);
        while !stopped() && watch.look() == Seen::Same {
            thread::sleep(PAUSE);
        }
        settle(&mut watch, &stopped);
    }
    console.line("stopped");
    Ok(())
}

/// Waits until the files come to rest, and for what is gone to come back.
fn settle(watch: &mut Watch, stopped: &dyn Fn() -> bool) {
    let start = Instant::now();
    loop {
        let before = watch.state();
        thread::sleep(REST);
        let seen = watch.look();
        let rests = watch.state() == before && (seen != Seen::Gone || start.elapsed() >= COMES_BACK);
        if rests || stopped() || start.elapsed() >= 4 * COMES_BACK {
            return;
        }
    }
}

/// What stays from one turn to the next.
struct Turns<'a> {
    note: NoteFile,
    wish: Wish<'a>,
    press: Press<'a>,
    kept: Kept,
    /// Where what took long outlives this run; `None` where it can't.
    keeper: Option<Arc<KeptFolder>>,
    /// The last results that were typeset, and their document.
    last: Option<(Side, PathBuf)>,
}

impl Turns<'_> {
    /// One turn, from the note to its result folder; what to watch for the next.
    fn turn(&mut self, stopped: &dyn Fn() -> bool, console: &mut Console) -> Watch {
        let Ok(folder) = self.open(console) else { return Watch::default() };
        console.begin_turn();
        let files = Asked { folder: &folder, asked: Mutex::default() };
        if self.press(&files, stopped, console).is_err()
            && !stopped()
            && let Some((_, document)) = &self.last
        {
            console.note(&format!("{} stays as it was", document.display()));
        }
        let asked = files.asked.into_inner().unwrap_or_else(PoisonError::into_inner);
        Watch::new(&self.note.folder, &asked, &folder.served())
    }

    /// The note's folder, as soon as the note in it is not empty: an editor that saves in place empties it first.
    fn open(&self, console: &mut Console) -> Result<Folder, Exit> {
        let start = Instant::now();
        loop {
            let folder = self.note.open(console)?;
            let there = folder.read(&self.note.file).is_ok_and(|bytes| !bytes.is_empty());
            if there || self.last.is_none() || start.elapsed() >= COMES_BACK {
                return Ok(folder);
            }
            thread::sleep(REST);
        }
    }

    /// How much of this turn was found in the folder of results, in words; what can't be kept there is told.
    fn found(&self, console: &mut Console) -> String {
        let Some(keeper) = &self.keeper else { return String::new() };
        if let Some(fault) = keeper.fault() {
            console.note(&format!("{fault}; the next `follow` computes it again"));
        }
        match keeper.counts() {
            (0, _) => String::new(),
            (1, _) => ", 1 long computation found in .kept".to_owned(),
            (found, _) => format!(", {found} long computations found in .kept"),
        }
    }

    fn press(
        &mut self,
        files: &Asked<'_>,
        stopped: &dyn Fn() -> bool,
        console: &mut Console,
    ) -> Result<(), Exit> {
        let note = &self.note;
        let solved = solve_note(note, files, self.wish, &mut self.kept, console);
        console.end_turn();
        let found = self.found(console);
        let (outcome, solved) = solved?;
        if stopped() {
            return Err(Exit::Done);
        }
        let what_if = !self.wish.with.is_empty();
        let made = Made { note, files, outcome: &outcome, solved: &solved };
        let written = self.press.write(&made, what_if, console)?;
        let document = written.target.join(format!("{}.pdf", note.name));
        let (again, all) = self.kept.counts();
        console.line(&format!("wrote {} ({again} of {all} blocks solved again{found})", document.display()));
        if what_if {
            console.line(&format!("what if: {}", solved.store.what_if.join(", ")));
        }
        console.print(&matrix(&solved.store));
        console.line(&format!("{}: {}", note.name, summary(&solved.store)));
        let served = files.served();
        let text = served.get(&note.file).map(|bytes| String::from_utf8_lossy(bytes).into_owned());
        let side = Side {
            results: to_json(&solved.store),
            text: text.unwrap_or_default(),
            files: data_files(BTreeMap::new(), &note.file),
        };
        if let Some((before, _)) = &self.last {
            console.line(&moved(before, &side));
        }
        self.last = Some((side, document));
        Ok(())
    }
}

/// A folder that remembers what it was asked for, there or not.
struct Asked<'a> {
    folder: &'a Folder,
    asked: Mutex<BTreeSet<String>>,
}

impl Files for Asked<'_> {
    fn read(&self, path: &str) -> Result<Arc<[u8]>, FileFault> {
        if let Some(path) = crate::source::confine(path) {
            self.asked.lock().unwrap_or_else(PoisonError::into_inner).insert(path);
        }
        self.folder.read(path)
    }

    fn served(&self) -> BTreeMap<String, Arc<[u8]>> {
        self.folder.served()
    }
}
