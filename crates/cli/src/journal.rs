//! What an interrupted run had taken, so that the next one goes on there.
//!
//! One file for every program, plan and `--only`, in the user's cache folder: its identity, then a
//! record for every unit that is done. A record that was cut off, and all behind it, does not
//! count. Where no such file can be had, a run begins anew and is none the worse for it.

use std::collections::HashMap;
use std::fs::{File, OpenOptions};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::time::Duration;

use etcetera::BaseStrategy;
use plumbtone::run::Unit;
use sha2::{Digest, Sha256};

/// Part of every identity: another layout of the file is another run.
const LAYOUT: &str = "plumbtone journal 1";
const SUFFIX: &str = "journal";
/// How long a journal waits for somebody to go on.
const KEPT: Duration = Duration::from_secs(7 * 24 * 60 * 60);
/// Bytes of a record before its contents: their length, and the beginning of their hash.
const LENGTH: usize = 4;
const HASH: usize = 8;

/// Hash of all that decides the readings of a run.
pub struct Identity([u8; 32]);

impl Identity {
    /// That of a run by the program at `program`; `parts` are what it was asked for. None where the
    /// program cannot be read.
    pub fn of(program: &Path, parts: &[&str]) -> Option<Self> {
        let mut whole = Sha256::new();
        std::io::copy(&mut File::open(program).ok()?, &mut whole).ok()?;
        let mut all = Sha256::new_with_prefix(whole.finalize());
        for part in [LAYOUT].iter().chain(parts) {
            all.update(Sha256::digest(part));
        }
        Some(Self(all.finalize().into()))
    }
}

/// The folder for journals, where the system has one for caches.
pub fn folder() -> Option<PathBuf> {
    Some(etcetera::choose_base_strategy().ok()?.cache_dir().join("plumbtone"))
}

/// An open journal, for one run at a time.
pub struct Journal {
    path: PathBuf,
    kept: HashMap<usize, Unit>,
    end: Mutex<End>,
}

/// Where records are added.
struct End {
    file: File,
    /// Nothing behind a record that was cut off would be found again.
    cut: bool,
}

impl Journal {
    /// Opens the journal of that identity in `folder`, or begins one; always begins one when
    /// `fresh`. None where it cannot be written, or another run is writing it.
    pub fn open(folder: &Path, identity: &Identity, fresh: bool) -> Option<Self> {
        std::fs::create_dir_all(folder).ok()?;
        sweep(folder);
        let name: String = identity.0.iter().map(|byte| format!("{byte:02x}")).collect();
        let path = folder.join(name).with_extension(SUFFIX);
        let open =
            OpenOptions::new().read(true).write(true).create(true).truncate(false).open(&path);
        let mut file = open.ok()?;
        file.try_lock().ok()?;
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes).ok()?;
        let (kept, end) = match bytes.strip_prefix(&identity.0).filter(|_| !fresh) {
            Some(records) => {
                let (kept, length) = read(records);
                (kept, identity.0.len() + length)
            }
            None => {
                file.set_len(0).and_then(|()| file.rewind()).ok()?;
                file.write_all(&identity.0).ok()?;
                (HashMap::new(), identity.0.len())
            }
        };
        file.set_len(end as u64).ok()?;
        file.seek(SeekFrom::End(0)).ok()?;
        Some(Self { path, kept, end: Mutex::new(End { file, cut: false }) })
    }

    /// Takes the journal away: all that the run was to do is done.
    pub fn remove(self) {
        // A file that stays is no harm: everything in it is right.
        let _ = std::fs::remove_file(self.path);
    }
}

impl plumbtone::run::Journal for Journal {
    fn load(&self, unit: usize) -> Option<Unit> {
        self.kept.get(&unit).cloned()
    }

    fn store(&self, unit: usize, taken: &Unit) {
        let mut contents = Vec::new();
        let written = ciborium::into_writer(&(unit, taken), &mut contents);
        let (Ok(()), Ok(length)) = (written, u32::try_from(contents.len())) else { return };
        let record = [&length.to_le_bytes(), &hash(&contents)[..], &contents].concat();
        if let Ok(mut end) = self.end.lock()
            && !end.cut
        {
            end.cut = end.file.write_all(&record).is_err();
        }
    }
}

fn hash(contents: &[u8]) -> [u8; HASH] {
    let mut hash = [0; HASH];
    hash.copy_from_slice(&Sha256::digest(contents)[..HASH]);
    hash
}

/// The units in whole records, and how many bytes those take.
fn read(records: &[u8]) -> (HashMap<usize, Unit>, usize) {
    let mut kept = HashMap::new();
    let mut rest = records;
    while let Some((unit, taken, behind)) = record(rest) {
        kept.insert(unit, taken);
        rest = behind;
    }
    (kept, records.len() - rest.len())
}

/// The first record, and what follows it; none when it is cut off or damaged.
fn record(bytes: &[u8]) -> Option<(usize, Unit, &[u8])> {
    let (length, rest) = bytes.split_first_chunk::<LENGTH>()?;
    let (sum, rest) = rest.split_first_chunk::<HASH>()?;
    let (contents, behind) = rest.split_at_checked(u32::from_le_bytes(*length) as usize)?;
    if hash(contents) != *sum {
        return None;
    }
    let (unit, taken) = ciborium::from_reader(contents).ok()?;
    Some((unit, taken, behind))
}

/// Removes journals that nobody went on with.
fn sweep(folder: &Path) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        let changed = entry.metadata().and_then(|about| about.modified());
        let old = changed.is_ok_and(|at| at.elapsed().is_ok_and(|age| age > KEPT));
        let ours = path.extension().is_some_and(|suffix| suffix == SUFFIX);
        if ours && old && File::open(&path).is_ok_and(|file| file.try_lock().is_ok()) {
            std::fs::remove_file(path).ok();
        }
    }
}

#[cfg(test)]
mod tests {
    use plumbtone::results::{Case, Gap};
    use plumbtone::run::Journal as _;
    use tempfile::TempDir;

    use super::*;

    fn place() -> (TempDir, Identity) {
        let folder = tempfile::tempdir().expect("a folder");
        std::fs::write(folder.path().join("program"), "the program").expect("a file");
        let identity = identity(&folder, &["plan", "only"]);
        (folder, identity)
    }

    fn identity(folder: &TempDir, parts: &[&str]) -> Identity {
        Identity::of(&folder.path().join("program"), parts).expect("an identity")
    }

    fn open(folder: &TempDir, identity: &Identity) -> Journal {
        Journal::open(folder.path(), identity, false).expect("a journal")
    }

    fn case(value: f64) -> Case {
        Case {
            key: Some(69),
            hz: None,
            setting: Some("attack=0.1".to_owned()),
            value: Some(value),
            uncertainty: f64::MIN_POSITIVE / 3.0,
            limit: Some(f64::INFINITY),
            gap: None,
            note: Some("a \"note\" – …".to_owned()),
        }
    }

    fn unit(seed: usize) -> Unit {
        vec![vec![case(seed as f64 / 7.0)], vec![]]
    }

    #[test]
    fn gives_back_every_bit() {
        let (folder, identity) = place();
        let odd = [
            f64::NEG_INFINITY,
            f64::INFINITY,
            -0.0,
            0.1,
            1.5,
            f64::MAX,
            5e-324,
            16_777_217.0,
            f64::from_bits(0x3ff0_0000_0000_0001),
            65_504.0,
        ];
        let gap = Case { value: None, gap: Some(Gap::Unreadable), setting: None, ..case(0.0) };
        let taken = vec![odd.map(case).to_vec(), vec![gap]];
        let journal = open(&folder, &identity);
        journal.store(7, &taken);
        assert!(journal.load(7).is_none(), "an earlier run, not this one");
        drop(journal);
        let journal = open(&folder, &identity);
        assert_eq!(journal.load(7).as_ref(), Some(&taken));
        let bits = |unit: &Unit| -> Vec<_> {
            unit.iter().flatten().map(|case| case.value.map(f64::to_bits)).collect()
        };
        assert_eq!(bits(&journal.load(7).expect("a unit")), bits(&taken));
        assert!(journal.load(6).is_none());
    }

    #[test]
    fn a_record_cut_off_or_damaged_anywhere_is_dropped_and_written_over() {
        let (folder, identity) = place();
        let journal = open(&folder, &identity);
        let path = journal.path.clone();
        let mut sizes = vec![std::fs::metadata(&path).expect("a file").len() as usize];
        for n in 0..3 {
            journal.store(n, &unit(n));
            sizes.push(std::fs::metadata(&path).expect("a file").len() as usize);
        }
        drop(journal);
        let whole = std::fs::read(&path).expect("a file");
        let left = |bytes: &[u8]| {
            std::fs::write(&path, bytes).expect("a file");
            let journal = open(&folder, &identity);
            let left = (0..3).filter(|&n| journal.load(n) == Some(unit(n))).count();
            let others = (0..3).filter(|&n| journal.load(n).is_some()).count();
            assert_eq!(left, others);
            // What is added now is found behind what was good.
            journal.store(9, &unit(9));
            drop(journal);
            let journal = open(&folder, &identity);
            assert_eq!(journal.load(9), Some(unit(9)));
            assert_eq!(journal.kept.len(), left + 1);
            left
        };
        for cut in 0..=whole.len() {
            let good = sizes.iter().filter(|&&size| size <= cut).count().saturating_sub(1);
            assert_eq!(left(&whole[..cut]), good, "cut at {cut}");
        }
        for at in sizes[0]..whole.len() {
            let mut bytes = whole.clone();
            bytes[at] ^= 0x10;
            let good = sizes.iter().filter(|&&size| size <= at).count() - 1;
            assert_eq!(left(&bytes), good, "damaged at {at}");
        }
        assert_eq!(left(&[&whole[..], &[0; 4096]].concat()), 3, "zeros behind");
    }

    #[test]
    fn belongs_to_one_program_one_plan_and_one_filter() {
        let (folder, first) = place();
        let journal = open(&folder, &first);
        journal.store(0, &unit(0));
        let path = journal.path.clone();
        drop(journal);
        for parts in [["plan ", "only"], ["plan", "onl"], ["pla", "nonly"]] {
            assert!(open(&folder, &identity(&folder, &parts)).load(0).is_none(), "{parts:?}");
        }
        std::fs::write(folder.path().join("program"), "the Program").expect("a file");
        let other = open(&folder, &identity(&folder, &["plan", "only"]));
        assert!(other.load(0).is_none());
        // Even under its name the contents of another are replaced.
        let name = other.path.clone();
        drop(other);
        std::fs::copy(&path, &name).expect("copied");
        let other = open(&folder, &identity(&folder, &["plan", "only"]));
        assert!(other.load(0).is_none());
        assert_eq!(std::fs::metadata(&name).expect("a file").len(), 32);
        // The first one is still there, until it is begun anew.
        assert_eq!(open(&folder, &first).load(0), Some(unit(0)));
        assert!(Journal::open(folder.path(), &first, true).expect("a journal").load(0).is_none());
        assert!(open(&folder, &first).load(0).is_none());
        assert!(Identity::of(&folder.path().join("none"), &[]).is_none());
    }

    #[test]
    fn one_run_at_a_time_and_gone_when_done() {
        let (folder, identity) = place();
        let journal = open(&folder, &identity);
        journal.store(0, &unit(0));
        assert!(Journal::open(folder.path(), &identity, false).is_none());
        assert!(Journal::open(folder.path(), &identity, true).is_none());
        let path = journal.path.clone();
        assert!(path.is_file());
        journal.remove();
        assert!(!path.exists());
        assert!(open(&folder, &identity).load(0).is_none());
        // No folder can be made there.
        assert!(Journal::open(&folder.path().join("program/x"), &identity, false).is_none());
    }

    #[test]
    fn journals_that_nobody_went_on_with_are_removed() {
        let (folder, first) = place();
        let journal = open(&folder, &first);
        let path = journal.path.clone();
        let age = |days: u64| {
            let then = std::time::SystemTime::now() - Duration::from_secs(days * 24 * 60 * 60);
            let file = OpenOptions::new().write(true).open(&path).expect("a file");
            file.set_modified(then).expect("a time");
        };
        age(30);
        let second = identity(&folder, &["another"]);
        drop(open(&folder, &second));
        assert!(path.exists(), "in use");
        drop(journal);
        age(6);
        drop(open(&folder, &second));
        assert!(path.exists());
        age(8);
        drop(open(&folder, &second));
        assert!(!path.exists());
        assert!(folder.path().join("program").exists());
    }
}
