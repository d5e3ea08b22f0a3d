//! Many sessions at once, on all cores; what each says is printed in the order of the arguments.

use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc::{Sender, channel};
use std::thread;

use crate::app::exit::{Exit, Failure};

/// What one session came to: what it printed, and how it ended.
type Done = (usize, Vec<u8>, Result<Exit, Failure>);

/// Runs `one` for each of these sessions, as many at once as there are cores, and hands what each
/// printed to `out`, in their order. One that fails is told and does not hold up the others.
///
/// What is printed waits in memory until its turn comes, some kilobytes a session; so readings,
/// which are many, are printed one session after another instead.
///
/// # Errors
/// Where some failed, or `out` does not take it.
pub fn each(
    sessions: &[PathBuf],
    stopped: &(dyn Fn() -> bool + Sync),
    one: &(dyn Fn(&Path, &mut dyn Write) -> Result<Exit, Failure> + Sync),
    out: &mut dyn Write,
) -> Result<Exit, Failure> {
    let cores = thread::available_parallelism().map_or(1, usize::from);
    let (next, given_up) = (AtomicUsize::new(0), AtomicBool::new(false));
    let (tell, told) = channel();
    thread::scope(|scope| {
        for _ in 0..cores.min(sessions.len()) {
            let (tell, next, given_up) = (tell.clone(), &next, &given_up);
            let stopped = move || stopped() || given_up.load(Ordering::Relaxed);
            scope.spawn(move || work(sessions, next, &stopped, one, &tell));
        }
        drop(tell);
        let mut printer =
            Printer { sessions, waiting: BTreeMap::new(), next: 0, failed: Vec::new() };
        let mut worst = Exit::Done;
        for done in told {
            if let Err(error) = printer.take(done, &mut worst, out) {
                given_up.store(true, Ordering::Relaxed);
                return Err(error);
            }
        }
        printer.end(worst, stopped())
    })
}

fn work(
    sessions: &[PathBuf],
    next: &AtomicUsize,
    stopped: &dyn Fn() -> bool,
    one: &(dyn Fn(&Path, &mut dyn Write) -> Result<Exit, Failure> + Sync),
    tell: &Sender<Done>,
) {
    while !stopped() {
        let number = next.fetch_add(1, Ordering::Relaxed);
        let Some(path) = sessions.get(number) else { return };
        let mut said = Vec::new();
        let exit = one(path, &mut said);
        if tell.send((number, said, exit)).is_err() {
            return;
        }
    }
}

/// Prints in order what comes in any order.
struct Printer<'a> {
    sessions: &'a [PathBuf],
    waiting: BTreeMap<usize, (Vec<u8>, Result<Exit, Failure>)>,
    next: usize,
    failed: Vec<Exit>,
}

impl Printer<'_> {
    fn take(
        &mut self,
        (number, said, exit): Done,
        worst: &mut Exit,
        out: &mut dyn Write,
    ) -> Result<(), Failure> {
        self.waiting.insert(number, (said, exit));
        while let Some((said, exit)) = self.waiting.remove(&self.next) {
            self.next += 1;
            out.write_all(&said).and_then(|()| out.flush()).map_err(Failure::world)?;
            match exit {
                Ok(Exit::Done) => {}
                Ok(exit) => *worst = exit,
                Err(failure) => {
                    eprintln!("settled: {}", failure.line());
                    self.failed.push(failure.exit);
                }
            }
        }
        Ok(())
    }

    fn end(self, worst: Exit, stopped: bool) -> Result<Exit, Failure> {
        let all = self.sessions.len();
        if stopped && self.next < all {
            eprintln!("settled: stopped before {}", self.sessions[self.next].display());
        }
        match self.failed.first() {
            None if stopped => Ok(Exit::NotRecorded),
            None => Ok(worst),
            Some(exit) => {
                let error = format!("{} of {all} sessions failed", self.failed.len());
                Err(Failure { exit: *exit, ..Failure::bad_input(error) })
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sessions(count: usize) -> Vec<PathBuf> {
        (0..count).map(|n| PathBuf::from(n.to_string())).collect()
    }

    #[test]
    fn what_is_said_comes_in_order_whatever_fails() {
        let all = sessions(50);
        let one = |path: &Path, out: &mut dyn Write| {
            let number: usize = path.to_str().unwrap().parse().unwrap();
            writeln!(out, "{number}").unwrap();
            if number == 7 { Err(Failure::bad_input("seven")) } else { Ok(Exit::Done) }
        };
        let mut out = Vec::new();
        let failure = each(&all, &|| false, &one, &mut out).unwrap_err();
        assert_eq!((failure.exit, &*failure.line()), (Exit::BadInput, "1 of 50 sessions failed"));
        let expected = (0..50).fold(String::new(), |text, n| format!("{text}{n}\n"));
        assert_eq!(String::from_utf8(out).unwrap(), expected);
    }

    #[test]
    fn a_wish_to_stop_begins_no_further_session() {
        let begun = AtomicUsize::new(0);
        let one = |_: &Path, _: &mut dyn Write| {
            begun.fetch_add(1, Ordering::Relaxed);
            Ok(Exit::Done)
        };
        let exit =
            each(&sessions(10_000), &|| begun.load(Ordering::Relaxed) > 0, &one, &mut Vec::new());
        assert_eq!(exit.unwrap(), Exit::NotRecorded);
        assert!(begun.load(Ordering::Relaxed) < 10_000);
    }
}
