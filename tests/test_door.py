"""The door, tried without a network: a small clone, and a stand-in for pip that installs nothing.

The stand-in is a file `pip.py` in the small clone. It notes each call, makes empty modules under
the names that the door tries out, and first does what a file `mishap` tells it to.
"""

import ast
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from doughkit import __main__, commands, door, environment, watch
from doughkit.environment import Own
from doughkit.watch import Closed

ROOT = Path(__file__).parent.parent
DOOR_FILES = (
    "__init__",
    "__main__",
    "door",
    "environment",
    "watch",
    "commands",
    "spoken",
    "share/__init__",
    "share/first_page",
    "share/pages",
    "selftest",
)

STAND_IN_PIP = """
import pathlib, sys, sysconfig, time
here = pathlib.Path(__file__).parent
mishap = (here / "mishap").read_text() if (here / "mishap").exists() else ""
with open(here / "calls.txt", "a") as calls:
    print(*sys.argv[1:], file=calls)
print("Collecting something", flush=True)
if mishap == "slow":
    time.sleep(30)
if mishap == "a while":
    time.sleep(1.5)
if mishap and mishap != "a while":
    sys.exit(mishap)
home = pathlib.Path(sysconfig.get_path("purelib"))
for name in NAMES:
    (home / name).mkdir(exist_ok=True)
    (home / name / "__init__.py").write_text("")
(home / "matplotlib" / "font_manager.py").write_text("")
(home / "pytest" / "__init__.py").write_text("def main(words, plugins): print('inside'); return 0")
"""


def bare_venv(own, watch):
    """A quick environment whose pip is the stand-in."""
    venv = [sys.executable, "-I", "-m", "venv", "--without-pip", str(own.folder)]
    subprocess.run(venv, check=True)
    return [str(own.python), str(own.root / "pip.py")]


def make_clone(root):
    (root / "doughkit" / "share").mkdir(parents=True)
    (root / ".git").mkdir()
    (root / "pyproject.toml").write_text("")
    (root / "requirements.lock").write_text("something==1.0\n")
    for name in DOOR_FILES:
        shutil.copy(ROOT / "doughkit" / f"{name}.py", root / "doughkit" / f"{name}.py")
    names = environment.NEEDED + environment.NEEDED_BY_TEST
    (root / "pip.py").write_text(STAND_IN_PIP.replace("NAMES", repr(names)))
    return root


@pytest.fixture
def own(tmp_path, monkeypatch):
    monkeypatch.setattr(environment, "make_venv", bare_venv)
    return Own(make_clone(tmp_path / "a clone é"))


def calls(own):
    path = own.root / "calls.txt"
    return path.read_text().splitlines() if path.exists() else []


def lonely_surroundings():
    """Variables of a shell in which no environment is active."""
    unwanted = ("VIRTUAL_ENV", "CONDA_PREFIX", "PYTHONPATH")
    return {name: value for name, value in os.environ.items() if name not in unwanted}


def call(root, *words, **options):
    """Start `python -m doughkit` with the Python that no environment is built on."""
    return subprocess.Popen(
        [sys._base_executable, "-m", "doughkit", *words],
        cwd=root,
        env=lonely_surroundings(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **options,
    )


# --- who may come in ------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["__init__", "__main__"])
def test_what_runs_first_is_written_in_words_that_old_pythons_know(name):
    text = (ROOT / "doughkit" / f"{name}.py").read_text("ascii")
    too_new = (ast.JoinedStr, ast.AnnAssign, ast.Starred, ast.NamedExpr, ast.AsyncFunctionDef)
    for node in ast.walk(ast.parse(text, feature_version=(3, 4))):
        assert not isinstance(node, too_new)
        if isinstance(node, ast.FunctionDef):
            assert node.returns is None and not node.args.kwonlyargs
            assert all(argument.annotation is None for argument in node.args.args)


@pytest.mark.parametrize("version", [(2, 7), (3, 6), (3, 10)])
def test_an_old_python_hears_one_sentence(version, monkeypatch, capsys):
    monkeypatch.setattr(sys, "version_info", version)
    assert __main__.main() == 1
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert f"needs Python 3.11 or newer, and this is Python {version[0]}.{version[1]}" in told


def test_the_door_needs_nothing_installed():
    program = f"import sys; sys.path.insert(0, {str(ROOT)!r}); import doughkit.door"
    subprocess.run([sys.executable, "-I", "-S", "-c", program], check=True)


def test_the_names_tried_out_are_those_that_the_project_asks_for():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf8"))["project"]
    extras = project["optional-dependencies"]

    def names(lines):
        return {re.match(r"[\w-]+", line)[0].replace("-", "_") for line in lines}

    assert names(project["dependencies"] + extras["lab"]) == set(environment.NEEDED)
    assert names(extras["test"]) - {"ruff"} == set(environment.NEEDED_BY_TEST)


def test_the_lock_holds_every_package_with_hashes_and_no_address():
    lock = (ROOT / "requirements.lock").read_text("utf8")
    pins = re.split(r"\n(?=\w)", lock.strip())
    assert all("--hash=sha256:" in pin and "==" in pin for pin in pins)
    assert "://" not in lock
    locked = {pin.partition("==")[0].replace("-", "_") for pin in pins}
    assert set(environment.NEEDED + environment.NEEDED_BY_TEST) <= locked


@pytest.mark.parametrize("mark", ["pyproject.toml", "requirements.lock", ".git"])
def test_only_a_clone_gets_an_environment(own, mark, monkeypatch):
    monkeypatch.setattr(door, "__file__", str(own.root / "doughkit" / "door.py"))
    assert door.own_of_checkout() == own
    path = own.root / mark
    shutil.rmtree(path) if path.is_dir() else path.unlink()
    assert door.own_of_checkout() is None


@pytest.fixture
def plain_python(monkeypatch):
    for name in ("VIRTUAL_ENV", "CONDA_PREFIX"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(sys, "prefix", sys.base_prefix)


@pytest.mark.usefixtures("plain_python")
def test_environments_of_others_are_known(own, tmp_path, monkeypatch):
    assert door.other_environment(own) == ""
    monkeypatch.setenv("VIRTUAL_ENV", "/theirs")
    assert door.other_environment(own) == "/theirs"
    monkeypatch.setenv("VIRTUAL_ENV", str(own.folder))
    assert door.other_environment(own) == ""
    monkeypatch.setenv("CONDA_PREFIX", "/conda")
    assert door.other_environment(own) == "/conda"
    monkeypatch.setattr(sys, "prefix", str(own.folder))
    assert door.other_environment(own) == ""
    monkeypatch.setattr(sys, "prefix", str(tmp_path / "venv"))
    assert door.other_environment(own) == str(tmp_path / "venv")
    (tmp_path / "venv" / "conda-meta").mkdir(parents=True)
    monkeypatch.setattr(sys, "base_prefix", sys.prefix)
    assert door.other_environment(None) == str(tmp_path / "venv")


@pytest.mark.usefixtures("plain_python")
@pytest.mark.parametrize("variable", ["VIRTUAL_ENV", "CONDA_PREFIX"])
def test_in_an_environment_of_others_nothing_is_made(own, variable, monkeypatch, capsys):
    monkeypatch.setenv(variable, "/theirs")
    monkeypatch.setattr(door, "own_of_checkout", lambda: own)
    monkeypatch.setattr(door, "NEEDED", ("no_such_package",))
    assert door.enter([]) == 1
    told = capsys.readouterr().err
    assert "lacks no_such_package" in told and "/theirs is in use" in told
    assert not own.place.exists()


@pytest.mark.usefixtures("plain_python")
def test_an_installed_copy_runs_with_what_is_there_or_says_what_is_missing(monkeypatch, capsys):
    monkeypatch.setattr(door, "own_of_checkout", lambda: None)
    monkeypatch.setattr(commands.Order, "run", lambda order: 7)
    assert door.enter(["lab"]) == 7
    monkeypatch.setattr(door, "NEEDED", ("no_such_package",))
    assert door.enter(["lab"]) == 1
    assert "this is no git clone" in capsys.readouterr().err


def test_a_command_says_which_words_it_takes(monkeypatch):
    given = []
    word = commands.Command("tidy", "", lambda *got: given.append(got) or 0, {"--all": ""})
    known = {
        "tidy": replace(word, takes="FOLDER [TABLE ...]"),
        "one": replace(word, name="one", takes="FILE"),
    }
    monkeypatch.setattr(commands, "COMMANDS", known)
    commands.read(["tidy", "here", "--all", "doughs", "pieces"]).run()
    assert given == [(frozenset({"--all"}), "here", "doughs", "pieces")]
    with pytest.raises(commands.Refused, match=r"say: .*doughkit tidy FOLDER \[TABLE \.\.\.\]"):
        commands.read(["tidy"])
    with pytest.raises(commands.Refused, match="'one' takes no 'more'"):
        commands.read(["one", "file", "more"])


def test_unknown_words_and_help_make_nothing(own, monkeypatch, capsys):
    monkeypatch.setattr(door, "own_of_checkout", lambda: own)
    assert door.enter(["labb"]) == 2
    assert door.enter(["test", "--chekcs"]) == 2
    assert door.enter(["zzz"]) == 2
    told = capsys.readouterr().err.splitlines()
    assert told == [
        "doughkit: there is no 'labb'; did you mean 'lab'?",
        "doughkit: 'test' takes no '--chekcs'; did you mean '--checks'?",
        "doughkit: there is no 'zzz'; say 'help' for all words",
    ]
    assert door.enter(["--help"]) == 0
    lines = capsys.readouterr().out
    assert all(f"\n  {word} " in lines for word in commands.COMMANDS)
    assert not own.place.exists()


# --- set-up ---------------------------------------------------------------------------------------


def test_the_set_up_says_what_it_makes_and_leaves_a_whole_environment(own, capsys):
    assert not own.is_ready()
    environment.set_up(own)
    told = capsys.readouterr().out
    assert str(own.place) in told and "0.8 GB" in told and "delete the folder" in told
    assert "fetching and installing" in told and "Set up in" in told
    assert own.is_ready()
    assert calls(own)[0].startswith("install --require-hashes --prefer-binary")


def where_imported(own, somewhere):
    program = "import doughkit; print(doughkit.__file__)"
    command = [str(own.python), "-c", program]
    run = subprocess.run(
        command, cwd=somewhere, env=own.surroundings(), capture_output=True, check=True
    )
    return Path(run.stdout.decode().strip())


def test_the_checkout_is_imported_from_anywhere_and_a_moved_one_from_its_new_place(own, tmp_path):
    environment.set_up(own)
    assert where_imported(own, tmp_path) == own.root / "doughkit" / "__init__.py"
    moved = Own(own.root.rename(tmp_path / "moved"))
    assert moved.is_ready()
    assert where_imported(moved, tmp_path) == moved.root / "doughkit" / "__init__.py"


def test_a_changed_lock_or_another_python_makes_it_anew(own, monkeypatch, capsys):
    environment.set_up(own)
    own.lock.write_text("something==2.0\n")
    assert not own.is_ready()
    stray = own.folder / "stray.txt"
    stray.write_text("")
    environment.set_up(own)
    assert own.is_ready() and not stray.exists() and len(calls(own)) == 2
    assert "no longer fits" in capsys.readouterr().out
    monkeypatch.setattr(environment.sysconfig, "get_platform", lambda: "another-machine")
    assert not own.is_ready()


def test_a_python_that_is_gone_makes_it_anew(own):
    environment.set_up(own)
    own.python.unlink()
    own.python.symlink_to("/no/such/python")
    assert not own.is_ready()
    environment.set_up(own)
    assert own.is_ready()


@pytest.mark.parametrize(
    ("pip_says", "heard"),
    [
        ("NewConnectionError: [Errno -2]", "registry can't be reached"),
        ("THESE PACKAGES DO NOT MATCH THE HASHES", "not the one that the lock names"),
        ("OSError: [Errno 28] No space left on device", "the disk is full"),
        ("some other trouble", "some other trouble"),
    ],
)
def test_a_failed_set_up_says_why_and_the_next_call_heals_it(own, pip_says, heard):
    mishap = own.root / "mishap"
    mishap.write_text(pip_says)
    with pytest.raises(Closed, match=heard) as closed:
        environment.set_up(own)
    assert str(own.log) in str(closed.value)
    assert not own.is_ready()
    mishap.unlink()
    environment.set_up(own)
    assert own.is_ready()


def test_packages_that_cannot_be_imported_count_as_a_failed_set_up(own):
    pip = own.root / "pip.py"
    pip.write_text(pip.read_text() + '(home / "scipy" / "__init__.py").write_text("1 / 0")\n')
    with pytest.raises(Closed, match="trying it out"):
        environment.set_up(own)
    assert not own.is_ready()


def test_a_lock_file_left_behind_bars_nobody(own):
    own.place.mkdir()
    (own.place / "README.txt").write_text("Made by doughkit for itself.\n")
    (own.place / "set-up.lock").write_text("of one that was killed")
    environment.set_up(own)
    assert own.is_ready()


def test_files_of_others_are_left_alone(own):
    own.place.mkdir()
    (own.place / "diary.txt").write_text("mine")
    with pytest.raises(Closed, match="did not make"):
        environment.set_up(own)
    assert [path.name for path in own.place.iterdir()] == ["diary.txt"]


def test_a_clone_that_cannot_be_written_is_refused_in_a_sentence(own):
    own.place.write_text("in the way")
    with pytest.raises(Closed, match=r"can't write in .*: clone into a folder of your own"):
        environment.set_up(own)


def test_too_little_room_is_said_before_anything_is_fetched(own, monkeypatch):
    monkeypatch.setattr(environment, "ROOM_NEEDED_GB", 1e9)
    with pytest.raises(Closed, match="too little room"):
        environment.set_up(own)
    assert calls(own) == []


class Script:
    """Stands for Watch: steps succeed as told."""

    def __init__(self, answers):
        self.answers, self.asked = list(answers), []

    def succeeds(self, doing, command):
        self.asked.append(command)
        return self.answers.pop(0)


def test_without_ensurepip_another_pip_is_taken_or_the_missing_package_named(tmp_path):
    own = Own(tmp_path)
    assert environment.make_venv(own, Script([True])) == [str(own.python), "-m", "pip"]
    fallback = Script([False, True, True])
    assert environment.make_venv(own, fallback)[-2:] == ["--python", str(own.python)]
    assert "--without-pip" in fallback.asked[1]
    for answers in ([False, True, False], [False, False]):
        with pytest.raises(Closed, match="sudo apt install python3-venv"):
            environment.make_venv(own, Script(answers))


def test_inside_there_are_no_foreign_packages_and_settings_stay_in_the_folder(own, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", "/theirs")
    monkeypatch.setenv("VIRTUAL_ENV", "/theirs")
    inside = own.surroundings()
    assert not {"PYTHONPATH", "VIRTUAL_ENV"} & set(inside)
    for name in ("MPLCONFIGDIR", "IPYTHONDIR", "JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR"):
        assert inside[name].startswith(str(own.place))


def test_a_long_step_shows_a_sign_of_life(capsys):
    show = watch.shower("fetching")
    for second in range(12):
        show(second, "3 packages fetched", False)
    show(12, "", True)
    assert capsys.readouterr().out.splitlines() == [
        "  fetching: 5 s, 3 packages fetched",
        "  fetching: 10 s, 3 packages fetched",
        "  fetching: 12 s",
    ]


def test_packages_are_counted_while_pip_works(own):
    own.place.mkdir()
    own.log.write_text("Collecting a\n  Downloading a\nCollecting b\n")
    assert watch.packages_so_far(own.log, own.packages) == "2 packages fetched"
    own.log.write_text(own.log.read_text() + "Installing collected packages: a, b, c\n")
    (own.packages / "a.dist-info").mkdir(parents=True)
    assert watch.packages_so_far(own.log, own.packages) == "1 of 3 installed"


# --- whole calls ----------------------------------------------------------------------------------


def quick_clone(root):
    """A clone whose own venv step is quick, so that whole calls can be tried often."""
    make_clone(root)
    path = root / "doughkit" / "environment.py"
    text = path.read_text("utf8")
    assert text.count('"venv"]') == 1
    path.write_text(text.replace('"venv"]', '"venv", "--without-pip"]'), "utf8")
    return Own(root)


def until(happens):
    for _ in range(200):
        if happens():
            return
        time.sleep(0.05)
    raise AssertionError("it did not happen within ten seconds")


def test_one_call_sets_up_and_runs_and_the_next_runs_at_once(tmp_path):
    own = quick_clone(tmp_path / "clone")
    first = call(own.root, "test")
    out, err = first.communicate(timeout=60)
    assert (first.returncode, err) == (0, "")
    assert out.startswith("First use") and out.endswith("inside\n")
    took = []
    for _ in range(3):  # one of them on a machine that is not busy otherwise
        began = time.monotonic()
        out, err = call(own.root, "test").communicate(timeout=60)
        assert out.startswith("doughkit ") and out.endswith("inside\n") and not err
        took.append(time.monotonic() - began)
    assert min(took) < 3
    # called by the environment's own Python after the lock was changed
    own.lock.write_text("something==2.0\n")
    from_inside = subprocess.run(
        [str(own.python), "-m", "doughkit", "test"],
        cwd=tmp_path,
        env=lonely_surroundings(),
        capture_output=True,
        text=True,
        check=True,
    )
    assert "making it anew" in from_inside.stdout and from_inside.stdout.endswith("inside\n")


@pytest.mark.skipif(os.name == "nt", reason="names that Windows does not allow")
@pytest.mark.parametrize("name", ['it\'s a "clone"', "-clone", "$(x) `y`; z & % # *"])
def test_an_odd_path_is_as_good_as_any(tmp_path, name):
    own = quick_clone(tmp_path / name)
    for begins in ("First use", "doughkit "):
        out, err = (one := call(own.root, "test")).communicate(timeout=60)
        assert (one.returncode, err) == (0, "")
        assert out.startswith(begins) and out.endswith("inside\n")
    where = where_imported(own, tmp_path)
    assert where == own.root / "doughkit" / "__init__.py"


def test_a_dead_registry_is_told_in_one_sentence(tmp_path, monkeypatch):
    """With the real pip, and a port on which nobody listens."""
    own = Own(make_clone(tmp_path / "clone"))
    (own.root / "pip.py").unlink()
    own.lock.write_text(f"something==1.0 --hash=sha256:{'0' * 64}\n")
    for variable in [name for name in os.environ if name.startswith("PIP_")]:
        monkeypatch.delenv(variable)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
    monkeypatch.setenv("PIP_INDEX_URL", f"http://127.0.0.1:{port}/simple")
    monkeypatch.setenv("PIP_CONFIG_FILE", os.devnull)
    monkeypatch.setenv("PIP_RETRIES", "1")
    out, err = (one := call(own.root, "test")).communicate(timeout=120)
    assert one.returncode == 1 and out.startswith("First use")
    assert err.splitlines() == [
        "doughkit: set-up failed while fetching and installing: the package registry can't be "
        "reached; look to the network. The same command begins again.",
        f"In full: {own.log}",
    ]
    assert not own.is_ready()


def test_two_first_calls_at_once_make_one_environment(tmp_path):
    own = quick_clone(tmp_path / "clone")
    (own.root / "mishap").write_text("a while")
    both = [call(own.root, "test"), call(own.root, "test")]
    told = [one.communicate(timeout=60)[0] for one in both]
    assert [one.returncode for one in both] == [0, 0]
    assert len(calls(own)) == 1
    assert sum("waiting for it" in one for one in told) == 1


@pytest.mark.skipif(os.name == "nt", reason="signals as on POSIX")
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGKILL])
def test_a_set_up_that_was_stopped_begins_again(tmp_path, how):
    own = quick_clone(tmp_path / "clone")
    (own.root / "mishap").write_text("slow")
    stopped = call(own.root, "test", start_new_session=True)
    until(lambda: calls(own))
    os.killpg(stopped.pid, how)
    _, err = stopped.communicate(timeout=60)
    if how == signal.SIGINT:
        assert stopped.returncode == 1
        assert "stopped. The same command begins again." in err
    assert not own.is_ready()
    (own.root / "mishap").unlink()
    again = call(own.root, "test")
    out, _ = again.communicate(timeout=60)
    assert again.returncode == 0
    assert "making it anew" in out


def test_the_gate_gives_the_two_commands_of_a_newcomer():
    gate = ROOT / ".ci" / "run"
    assert os.access(gate, os.X_OK)
    lines = [line for line in gate.read_text("utf8").splitlines() if line.startswith("python3")]
    assert lines == ["python3 -m doughkit test", "python3 -m doughkit"]
