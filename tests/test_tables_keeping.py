"""Nothing is lost: one writer at a time, the version before kept, a changed file left alone."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import time

import numpy as np
import pandas as pd
import pytest

from doughkit.tables import StudyProblems, keeping, read_tables, save_table
from tests import results
from tests.small_study import SMALL_STUDY, write_study


def oven(air_c):
    return pd.DataFrame({"oven": ["home"], "air_c": [float(air_c)]})


def test_the_version_before_is_kept_in_one_place(tmp_path):
    save_table(tmp_path, "ovens", oven(270))
    assert [one.name for one in tmp_path.iterdir()] == ["ovens.csv"]
    first = (tmp_path / "ovens.csv").read_bytes()
    save_table(tmp_path, "ovens", oven(280))
    save_table(tmp_path, "ovens", oven(280))
    assert (tmp_path / "previous" / "ovens.csv").read_bytes() == first
    assert read_tables(tmp_path)["ovens"]["air_c"].tolist() == [280]


def test_a_file_changed_since_it_was_read_is_left_alone(tmp_path):
    write_study(tmp_path)
    ovens = read_tables(tmp_path)["ovens"]
    typed = SMALL_STUDY["ovens"].replace("270", "275")
    (tmp_path / "ovens.csv").write_text(typed)
    with pytest.raises(StudyProblems, match=r"changed since it was read.*open the study again"):
        save_table(tmp_path, "ovens", ovens.assign(air_c=300.0))
    assert (tmp_path / "ovens.csv").read_text() == typed
    again = read_tables(tmp_path)["ovens"]
    save_table(tmp_path, "ovens", again.assign(fan="yes"))
    assert read_tables(tmp_path)["ovens"]["air_c"].tolist() == [275]


@pytest.mark.parametrize("mark", ["~$ovens.csv", ".~lock.ovens.csv#"])
def test_a_file_that_a_spreadsheet_has_open_is_left_alone(tmp_path, mark):
    save_table(tmp_path, "ovens", oven(270))
    (tmp_path / mark).write_text("somebody")
    with pytest.raises(StudyProblems, match=r"open in a spreadsheet.*close it there") as told:
        save_table(tmp_path, "ovens", oven(280))
    assert mark in str(told.value)
    assert read_tables(tmp_path)["ovens"]["air_c"].tolist() == [270]
    (tmp_path / mark).unlink()
    save_table(tmp_path, "ovens", oven(280))


def test_ratings_are_only_added(tmp_path):
    write_study(tmp_path)
    ratings = read_tables(tmp_path)["ratings"]
    for spoilt in (
        ratings.iloc[1:],
        ratings.assign(score=ratings["score"].replace(7, 6)),
        ratings.assign(score=ratings["score"].where(ratings.index != 0)),
    ):
        with pytest.raises(StudyProblems, match="1 score on file that would be changed or lost"):
            save_table(tmp_path, "ratings", spoilt)
    more = pd.DataFrame({"serving": ["S3"], "attribute": ["liking"], "score": [6.0]})
    filled = pd.concat([ratings, more], ignore_index=True)
    filled.loc[3, "score"] = 5.0
    save_table(tmp_path, "ratings", filled)
    assert read_tables(tmp_path)["ratings"]["score"].tolist() == [7, 5, 4, 5, 8, 3, 6]


def test_ratings_may_go_from_long_to_grid_if_no_score_is_lost(tmp_path):
    write_study(tmp_path)
    key = {"tasting": "T1", "assessor": ["Ada", "Ada", "Bo", "Bo"]}
    grid = pd.DataFrame(key | {"code": ["123", "456", "123", "789"]})
    grid["crispness"], grid["liking"] = [7.0, 4, 8, 3], [5.0, np.nan, np.nan, np.nan]
    read_tables(tmp_path)
    with pytest.raises(StudyProblems, match="2 scores on file"):
        save_table(tmp_path, "ratings", grid.iloc[:2])
    save_table(tmp_path, "ratings", grid)
    assert read_tables(tmp_path)["ratings"]["score"].count() == 5


def test_ratings_that_cannot_be_traced_are_not_written_over(tmp_path):
    write_study(tmp_path, ratings="serving,attribute,score\n,crispness,7\n")
    with pytest.raises(StudyProblems, match="cannot be traced to servings"):
        save_table(tmp_path, "ratings", pd.DataFrame({"serving": ["S1"], "attribute": "liking"}))


@pytest.mark.parametrize("number", [28, 122, 27])
def test_a_full_disk_is_one_sentence_and_nothing_is_lost(tmp_path, monkeypatch, number):
    save_table(tmp_path, "ovens", oven(270))

    def full(*_):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StudyProblems, match="make room on the disk") as told:
        save_table(tmp_path, "ovens", oven(280))
    assert len(str(told.value).splitlines()) == 2
    monkeypatch.undo()
    assert read_tables(tmp_path)["ovens"]["air_c"].tolist() == [270]
    assert not [one for one in tmp_path.rglob("*") if one.suffix == ".part"]


def test_a_write_that_the_system_really_stops_loses_nothing(tmp_path):
    save_table(tmp_path, "ovens", oven(270))
    code = (
        "import resource, signal, sys, pandas as pd\n"
        "from doughkit.tables import save_table, StudyProblems\n"
        "import doughkit.tables.writing\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (10, 10))\n"
        "try:\n"
        "    save_table(sys.argv[1], 'ovens', pd.DataFrame({'oven': ['home'], 'air_c': [280.0]}))\n"
        "except StudyProblems as told:\n"
        "    sys.exit(3 if 'make room' in str(told) else 4)\n"
    )
    done = subprocess.run([sys.executable, "-B", "-c", code, str(tmp_path)])
    assert done.returncode == 3 and resource.getrlimit(resource.RLIMIT_FSIZE)[0] != 10
    assert read_tables(tmp_path)["ovens"]["air_c"].tolist() == [270]


@pytest.mark.parametrize("number", [13, 30])
def test_a_folder_that_may_not_be_written_is_one_sentence(tmp_path, monkeypatch, number):
    save_table(tmp_path, "ovens", oven(270))

    def barred(*_, **__):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(keeping.tempfile, "mkstemp", barred)
    with pytest.raises(StudyProblems, match="see who may write in the folder"):
        save_table(tmp_path, "ovens", oven(280))
    monkeypatch.setattr(keeping.Path, "mkdir", barred)
    with pytest.raises(StudyProblems, match="previous: found a file that cannot be written"):
        save_table(tmp_path, "ovens", oven(280))
    monkeypatch.undo()
    assert read_tables(tmp_path)["ovens"]["air_c"].tolist() == [270]


def test_a_second_writer_waits_and_then_says_so(tmp_path, monkeypatch):
    monkeypatch.setattr(keeping, "PATIENCE_S", 0.1)
    save_table(tmp_path, "ovens", oven(270))
    with (
        keeping.only_writer(tmp_path),
        pytest.raises(StudyProblems, match="another program that is saving"),
    ):
        save_table(tmp_path, "ovens", oven(280))
    save_table(tmp_path, "ovens", oven(280))


def test_what_a_killed_save_left_is_cleared_after_an_hour(tmp_path):
    old, young = tmp_path / ".ovens.csv.a.part", tmp_path / ".ovens.csv.b.part"
    for part in (old, young):
        part.write_text("half")
    os.utime(old, (time.time() - 4000,) * 2)
    save_table(tmp_path, "ovens", oven(270))
    assert young.exists() and not old.exists()
    assert read_tables(tmp_path)["ovens"]["air_c"].tolist() == [270]


# --- killed, and two at once ---------------------------------------------------------------------

SAVES_ON_AND_ON = """
import os, sys
import pandas as pd
import doughkit.tables.writing
from doughkit.tables import save_table, StudyProblems
folder, table, who = sys.argv[1:]
names = [f"n{number}" for number in range(2000)]
print("ready", flush=True)
value = 0
while True:
    value += 1
    mark = int(who) * 1_000_000 + value
    frame = pd.DataFrame({"limit": names, "factor": "f", "weight": float(mark)})
    save_table(folder, table, frame)
"""


def start(folder, who, code=SAVES_ON_AND_ON):
    child = subprocess.Popen(
        [sys.executable, "-c", code, str(folder), "limits", str(who)], stdout=subprocess.PIPE
    )
    child.stdout.readline()
    return child


KILLS_SAVES = """
import os, pathlib, random, signal, sys, time
import pandas as pd
from doughkit.tables import save_table
import doughkit.tables.writing
folder, count = pathlib.Path(sys.argv[1]), int(sys.argv[2])
draw, names = random.Random(1), [f"n{number}" for number in range(300)]
seen, caught = set(), 0
for who in range(count):
    child = os.fork()
    if not child:
        value = 1000 * who
        while True:
            value += 1
            frame = pd.DataFrame({"limit": names, "factor": "f", "weight": float(value)})
            save_table(folder, "limits", frame)
    time.sleep(draw.uniform(0.0, 0.15))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    for path in (folder / "limits.csv", folder / "previous" / "limits.csv"):
        if path.exists():
            rows = path.read_text("utf-8-sig").splitlines()
            values = {row.split(",")[2] for row in rows[1:]}
            assert len(rows) == 301 and len(values) == 1, path
            seen |= values
    for part in folder.rglob("*.part"):
        caught += 1
        part.unlink()
print(len(seen), caught)
"""


def kill_saves(folder, count):
    """Kill that many saves at random moments; the file and the version before stay whole."""
    words = [sys.executable, "-c", KILLS_SAVES, str(folder), str(count)]
    done = subprocess.run(words, capture_output=True, text=True)
    assert not done.returncode, done.stderr
    versions, caught = map(int, done.stdout.split())
    assert versions > 1
    return versions, caught


def test_killed_saves_leave_the_old_table_or_the_new_one(tmp_path):
    kill_saves(tmp_path, 25)


@pytest.mark.long
def test_five_hundred_killed_saves_leave_the_old_table_or_the_new_one(tmp_path):
    versions, caught = kill_saves(tmp_path, 500)
    assert caught > 0
    results.write(
        "killed_saves",
        "Saves killed at a random moment (SIGKILL): is the table whole, and the version before?",
        [
            "500 killed; after each, table and version before held 300 rows of one save each",
            f"{versions} different saves seen; {caught} kills left a half-written file beside",
        ],
    )


def one_mark(path):
    """The one value that all rows of a whole file hold."""
    rows = path.read_text("utf-8-sig").splitlines()
    assert len(rows) == 2001 and len({row.split(",")[2] for row in rows[1:]}) == 1
    return rows[1].split(",")[2]


def test_two_writers_never_mix_and_the_slower_is_told(tmp_path):
    code = SAVES_ON_AND_ON.replace(
        "    save_table(folder, table, frame)",
        "    try:\n        save_table(folder, table, frame)\n"
        "    except StudyProblems as told:\n"
        "        print('told' if 'changed since' in str(told) else told, flush=True)\n"
        "        break",
    )
    children = [start(tmp_path, who, code) for who in (1, 2)]
    seen, end = set(), time.monotonic() + 60
    while all(child.poll() is None for child in children) and time.monotonic() < end:
        if (tmp_path / "limits.csv").exists():
            seen.add(one_mark(tmp_path / "limits.csv"))
    loser = next(child for child in children if child.poll() is not None)
    assert loser.stdout.read().strip() == b"told"
    for child in children:
        if child.poll() is None:
            child.kill()
        child.wait()
        child.stdout.close()
    assert seen and one_mark(tmp_path / "limits.csv")
