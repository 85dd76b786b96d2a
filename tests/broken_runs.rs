//! Runs that are killed, stopped, out of disk, or whose files are torn: the last good tables stay readable, and
//! the next run's tables are those of an undisturbed run, byte by byte.

use std::collections::BTreeMap;
use std::fs;
use std::os::unix::process::ExitStatusExt;
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;
use squarelaw::table::rows::LogRow;

use crate::season_kit::{Ran, Season};

type Tables = BTreeMap<String, Vec<u8>>;

/// Kills runs at random moments and holds what is left against the tables before and after.
fn kill_at_random(kills: usize, seed: u64) {
    let season = Season::new();
    let mut random = Pcg64Mcg::seed_from_u64(seed);
    let options = ["at: 160 km/h", "at: 150 km/h"];
    let mut undisturbed: Vec<Tables> = Vec::new();
    let mut longest = Duration::ZERO;
    for i in [0, 1] {
        season.run(&["--no-cache", "-q"]).expect(0);
        undisturbed.push(season.written());
        let began = Instant::now();
        season.run(&["--no-cache", "-q"]).expect(0);
        longest = longest.max(began.elapsed());
        season.edit("pipeline.yaml", options[i], options[1 - i]);
    }
    season.run(&["-q"]).expect(0);
    // Every other run finds the cache, which makes it shorter.
    season.edit("pipeline.yaml", options[0], options[1]);
    let began = Instant::now();
    season.run(&["-q"]).expect(0);
    let warm = began.elapsed();
    season.edit("pipeline.yaml", options[1], options[0]);
    season.run(&["-q"]).expect(0);
    // What runs last changes with the machine's load: what was meant to die and did not shortens the next one's time.
    let mut lasting = [longest, warm];
    let (mut now, mut killed, mut mixed) = (0, 0, 0);
    for kill in 0..kills {
        let next = 1 - now;
        season.edit("pipeline.yaml", options[now], options[next]);
        if kill % 2 == 0 {
            fs::remove_dir_all(season.tables().join(".cache")).unwrap();
        }
        let mut run = season.command(&["-q"]).spawn().unwrap();
        let whole = &mut lasting[kill % 2];
        std::thread::sleep(whole.mul_f64(random.random_range(0.0..1.1)));
        run.kill().unwrap();
        let died = run.wait().unwrap().signal() == Some(9);
        *whole = whole.mul_f64(if died { 1.05 } else { 0.75 });
        killed += usize::from(died);
        // Every file is whole: the former one or the new one.
        season.readable();
        let left: Tables = season.written().into_iter().filter(|(name, _)| !name.contains("/.")).collect();
        assert_eq!(left.len(), undisturbed[now].len());
        for (name, bytes) in &left {
            assert!(*bytes == undisturbed[now][name] || *bytes == undisturbed[next][name], "{name} is neither");
        }
        mixed += usize::from(left != undisturbed[now]);
        season.run(&["-q"]).expect(0);
        assert_eq!(season.written(), undisturbed[next], "after kill {kill}");
        now = next;
    }
    println!("{killed} of {kills} runs died, {mixed} after they had begun to put tables in place");
    assert!(killed * 2 > kills, "only {killed} of {kills} runs were still alive when they were killed");
}

#[test]
fn killed_runs_leave_the_last_good_tables_and_are_made_good_by_the_next() {
    kill_at_random(15, 1);
}

#[test]
#[ignore = "takes minutes; run before a release"]
fn two_hundred_killed_runs() {
    kill_at_random(200, 2);
}

#[test]
fn a_run_that_died_between_two_renames_is_finished_by_the_next() {
    let season = Season::new();
    season.run(&["-q"]).expect(0);
    let old = season.written();
    season.edit("pipeline.yaml", "at: 160 km/h", "at: 150 km/h");
    season.run(&["-q"]).expect(0);
    let new = season.written();
    // The state after the first rename: `logs` is new, the others wait beside their places.
    let mut waiting = Vec::new();
    for (name, bytes) in &old {
        let place = PathBuf::from(name.replace('/', "/season=2031/"));
        if !name.starts_with("logs/") {
            let beside = place.with_file_name(format!(".beside-{}", name.replace('/', "-")));
            fs::write(season.tables().join(&beside), &new[name]).unwrap();
            fs::write(season.tables().join(&place), bytes).unwrap();
            waiting.push(serde_json::json!({ "beside": beside, "place": place }));
        }
    }
    fs::write(season.tables().join(".squarelaw.switch"), serde_json::to_vec(&waiting).unwrap()).unwrap();
    // Even a run that then finds its definitions changed for the worse and writes nothing of its own does it.
    season.edit("pipeline.yaml", "logs/*.csv", "nowhere/*.csv");
    season.edit("pipeline.yaml", "logs/*.parquet", "nowhere/*.parquet");
    let said = season.run(&[]).expect(1).said();
    assert!(said.contains("put there now"), "{said}");
    assert_eq!(season.written(), new);
}

#[test]
fn a_stop_signal_ends_the_run_with_its_message_and_the_tables_untouched() {
    let season = Season::new();
    season.run(&["-q"]).expect(0);
    let before = season.written();
    season.edit("car.yaml", "cg_height: 0.46 m", "cg_height: 0.47 m");
    for signal in ["-TERM", "-INT"] {
        // Stopped before it can end: it waits for its standard error to be read.
        let run = season.command(&["--threads", "1"]).stderr(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        std::thread::sleep(Duration::from_millis(20));
        Command::new("kill").args([signal, &run.id().to_string()]).status().unwrap();
        let ran = Ran(run.wait_with_output().unwrap());
        if ran.0.status.signal().is_some() {
            // The signal came before the handler stood: the tables are untouched all the same.
            assert_eq!(season.written(), before);
        } else if ran.code() == Some(1) {
            assert!(ran.said().contains("stopped on request"), "{}", ran.said());
            assert_eq!(season.written(), before);
        } else {
            ran.expect(0);
            return;
        }
    }
    season.run(&["-q"]).expect(0);
    assert_ne!(season.written(), before);
}

#[test]
fn a_full_disk_leaves_the_last_tables() {
    let season = Season::new();
    season.run(&["-q"]).expect(0);
    let before = season.written();
    season.edit("pipeline.yaml", "at: 160 km/h", "at: 150 km/h");
    // A limit on the size of files stands in for the disk: writing beyond it fails in the same way.
    let limited = |kib: u32| {
        let program = env!("CARGO_BIN_EXE_squarelaw");
        let script = format!("trap '' XFSZ; ulimit -f {kib}; exec \"$0\" \"$@\"");
        let mut command = Command::new("bash");
        command.args(["-c", &script, program, "run"]).arg(season.pipeline()).arg("--no-cache");
        Ran(command.output().unwrap())
    };
    for kib in [0, 1, 4] {
        let said = limited(kib).expect(1).said();
        assert!(said.contains("can't write"), "{said}");
        assert_eq!(season.written(), before, "{kib} KiB");
    }
    season.run(&["-q"]).expect(0);
    assert_ne!(season.written(), before);
}

#[test]
fn a_cache_that_can_not_be_written_costs_time_and_not_the_tables() {
    let season = Season::new();
    season.run(&["-q", "--no-cache"]).expect(0);
    let good = season.written();
    let blocked = season.path().join("blocked");
    fs::write(&blocked, "a file where the cache's folder should be").unwrap();
    let ran = season.run(&["--cache", blocked.to_str().unwrap()]).expect(0);
    assert!(ran.said().contains("can't be written"), "{}", ran.said());
    assert_eq!(season.written(), good);
}

#[test]
fn tables_that_can_not_be_written_end_the_run() {
    let season = Season::new();
    // Nobody, not even root, makes folders there.
    season.edit("pipeline.yaml", "tables: tables", "tables: /proc/tables");
    let said = season.run(&[]).expect(1).said();
    assert!(said.contains("/proc/tables"), "{said}");
}

#[test]
fn torn_and_damaged_cache_entries_are_noticed_and_made_anew() {
    let season = Season::new();
    season.run(&["-q"]).expect(0);
    let good = season.written();
    let cache = season.tables().join(".cache");
    let entries = |kind: &str| -> Vec<PathBuf> {
        let mut all: Vec<PathBuf> = fs::read_dir(cache.join(kind)).unwrap().map(|e| e.unwrap().path()).collect();
        all.sort();
        all
    };
    // Every file is torn, changed in its middle and emptied in turn.
    for pass in 0..3 {
        for (i, path) in ["windows", "frames", "fits"].into_iter().flat_map(entries).enumerate() {
            let mut bytes = fs::read(&path).unwrap();
            match (i + pass) % 3 {
                0 => bytes.truncate(bytes.len() / 2),
                1 => {
                    let middle = bytes.len() / 2;
                    // One that nobody looked at since is still empty.
                    bytes.get_mut(middle).into_iter().for_each(|byte| *byte ^= 1);
                }
                _ => bytes.clear(),
            }
            fs::write(&path, bytes).unwrap();
        }
        fs::write(cache.join("index"), "torn").unwrap();
        let said = season.run(&[]).expect(0).said();
        // The windows of all logs in one file, a fit, the index; where the windows are all gone six frames, whereas those
        // that can be read spare a look at their frame.
        let more = said.lines().filter_map(|l| l.split_once(" more were damaged")?.0.rsplit(' ').next()?.parse().ok());
        let noticed = said.matches("was damaged").count() + more.map(|n: usize| n + 1).sum::<usize>();
        assert!(if pass == 2 { noticed == 9 } else { (4..=9).contains(&noticed) }, "{pass}: {said}");
        assert!(["windows/", "fits/", "index was"].iter().all(|part| said.contains(part)), "{pass}: {said}");
        assert_eq!(season.written(), good);
        assert!(season.last().from_cache < 6);
        let again = season.run(&[]).expect(0).said();
        assert!(!again.contains("damaged"), "{pass}: {again}");
        assert_eq!((season.written(), season.last().from_cache), (good.clone(), 6));
    }
}

#[test]
fn a_log_that_vanishes_or_changes_while_it_is_read_costs_only_itself() {
    let season = Season::new();
    let victim = season.log("e01-s1-o1.csv");
    let bytes = fs::read(&victim).unwrap();
    let others = |s: &Season| -> Vec<LogRow> {
        let mut rows = s.rows::<LogRow>();
        rows.retain(|r| r.log != "e01-s1-o1.csv");
        rows
    };
    season.run(&["-q", "--no-cache"]).expect(0);
    let (good, whole) = (others(&season), season.written());
    let end = AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            while !end.load(Ordering::Relaxed) {
                let _ = fs::remove_file(&victim);
                std::thread::sleep(Duration::from_millis(2));
                let _ = fs::write(&victim, &bytes[..bytes.len() / 2]);
                std::thread::sleep(Duration::from_millis(2));
                let _ = fs::write(&victim, &bytes);
                std::thread::sleep(Duration::from_millis(2));
            }
        });
        for _ in 0..6 {
            let ran = season.run(&[]);
            assert!(matches!(ran.code(), Some(0 | 3)), "{}", ran.said());
            assert_eq!(others(&season), good);
        }
        end.store(true, Ordering::Relaxed);
    });
    fs::write(&victim, &bytes).unwrap();
    season.run(&["-q"]).expect(0);
    assert_eq!(season.written(), whole);
}

#[test]
fn a_history_of_runs_that_can_not_be_read_is_put_aside() {
    let season = Season::new();
    season.run(&["-q"]).expect(0);
    let batch = season.tables().join("batch/season=2031/batch.parquet");
    fs::write(&batch, "torn").unwrap();
    let said = season.run(&[]).expect(0).said();
    assert!(said.contains("former runs"), "{said}");
    assert_eq!(fs::read_to_string(batch.with_file_name(".former-batch")).unwrap(), "torn");
    assert_eq!(season.last().exit, 0);
    // To read a pipe would wait for whoever writes to it, for ever.
    fs::remove_file(&batch).unwrap();
    assert!(std::process::Command::new("mkfifo").arg(&batch).status().unwrap().success());
    let said = season.run(&[]).expect(0).said();
    assert!(said.contains("it is no file"), "{said}");
    assert!(batch.is_file());
}
