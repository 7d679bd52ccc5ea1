"""The notebooks in JupyterLab and the demo's pages, in a real browser (Chromium).

It starts `python3 -m doughkit lab` as a newcomer does, in a copy of the clone, once for all
notebooks. Playwright belongs to no environment of ours: where it or the browser is missing, these
tests are left out, but where the variable CI is set they then fail.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from doughkit.environment import Own

pytestmark = pytest.mark.browser

ROOT = Path(__file__).parent.parent
BOOKS = sorted(path.name for path in (ROOT / "notebooks").glob("*.ipynb"))
PATIENCE_MS = 600_000
"""For one notebook, on a machine that is busy otherwise."""
WIDTHS = (390, 1280)
AT_HOME = re.compile(r"(https?|wss?)://127\.0\.0\.1[:/]|(data|blob|file|about):")
QUIET = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
SEEN_BY_THE_TEST = """
c.LabApp.expose_app_in_browser = True
c.ServerApp.open_browser = False
"""

NOTICES = ".jp-Dialog, .Toastify__toast"
PANEL = "const panel = window.jupyterapp?.shell.currentWidget;"
CONNECTED = f"""() => {{ {PANEL}
    return panel?.sessionContext?.session?.kernel?.connectionStatus === 'connected'
        && panel.context.isReady && panel.content.model.cells.length > 1; }}"""
AT_REST = f"""() => {{ {PANEL}
    const code = [...panel.content.model.cells].filter(cell => cell.type === 'code');
    const stopped = code.some(cell => cell.outputs.toJSON().some(
        output => output.output_type === 'error'));
    const ran = code.every(cell => cell.executionCount !== null);
    return (stopped || ran) && panel.sessionContext.session.kernel.status === 'idle'; }}"""
SAVE = f"async () => {{ {PANEL} await panel.context.save(); }}"
END = f"async () => {{ {PANEL} await panel.sessionContext.shutdown(); }}"
PICTURES_OF_CELL = f"""async index => {{ {PANEL}
    await panel.content.scrollToItem(index);
    const drawn = () => [...panel.content.widgets[index].node.querySelectorAll('figure img')];
    for (let turn = 0; turn < 100 && !drawn().length; turn++)
        await new Promise(next => setTimeout(next, 100));
    const colours = async image => {{
        await image.decode();
        const canvas = document.createElement('canvas');
        [canvas.width, canvas.height] = [image.naturalWidth, image.naturalHeight];
        const context = canvas.getContext('2d');
        context.drawImage(image, 0, 0);
        const data = context.getImageData(0, 0, canvas.width, canvas.height).data;
        return new Set(new Uint32Array(data.buffer)).size; }};
    return Promise.all(drawn().map(colours)); }}"""
"""How many colours each picture of a cell has, once it is on the screen."""


def missing(what: str) -> None:
    if os.environ.get("CI"):
        pytest.fail(what)
    pytest.skip(what)


@pytest.fixture(scope="module")
def browser():
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        missing("playwright is not installed here: pip install playwright")
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found is None:
        missing("no Chromium on this machine: apt-get install chromium")
    with sync_playwright() as player:
        opened = player.chromium.launch(executable_path=found, args=QUIET)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def copy(tmp_path_factory):
    """A copy of the clone, with the clone's own environment and nothing done in it yet."""
    own = Own(ROOT)
    if not own.is_ready():
        missing("this clone has no environment of its own yet: python3 -m doughkit test")
    place = tmp_path_factory.mktemp("clone")
    for name in ("doughkit", "notebooks", "data_demo"):
        ignore = shutil.ignore_patterns("__pycache__", ".ipynb_checkpoints")
        shutil.copytree(ROOT / name, place / name, ignore=ignore)
    for name in ("pyproject.toml", "requirements.lock"):
        shutil.copy(ROOT / name, place)
    (place / ".git").mkdir()
    (place / ".doughkit").mkdir()
    shutil.copy(own.place / "README.txt", place / ".doughkit")
    for name in ("env", "matplotlib"):
        (place / ".doughkit" / name).symlink_to(own.place / name)
    return place


def surroundings(copy: Path) -> dict[str, str]:
    """Variables of a newcomer's shell; the settings only let the test look inside."""
    settings = copy / "settings"
    settings.mkdir(exist_ok=True)
    (settings / "jupyter_lab_config.py").write_text(SEEN_BY_THE_TEST)
    unwanted = ("VIRTUAL_ENV", "CONDA_PREFIX", "PYTHONPATH")
    kept = {name: value for name, value in os.environ.items() if name not in unwanted}
    return kept | {"JUPYTER_CONFIG_PATH": str(settings)}


@pytest.fixture(scope="module")
def lab(copy):
    """JupyterLab's address and token, from the command `lab`."""
    log = copy / "lab.log"
    with open(log, "wb") as told:
        server = subprocess.Popen(
            [sys._base_executable, "-m", "doughkit", "lab"],
            cwd=copy,
            env=surroundings(copy),
            stdin=subprocess.DEVNULL,
            stdout=told,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
    try:
        yield address(server, log)
    finally:
        os.killpg(server.pid, signal.SIGTERM)
        try:
            server.wait(timeout=20)
        except subprocess.TimeoutExpired:
            os.killpg(server.pid, signal.SIGKILL)
            server.wait()


def address(server: subprocess.Popen, log: Path) -> tuple[str, str]:
    for _ in range(600):
        found = re.search(r"(http://127\.0\.0\.1:\d+)/\S*\?token=(\w+)", log.read_text("utf8"))
        if found:
            return found[1], found[2]
        assert server.poll() is None, log.read_text("utf8")
        time.sleep(0.2)
    raise AssertionError(f"no address within two minutes: {log.read_text('utf8')}")


class Listener:
    """Hears what a page says and where it calls."""

    def __init__(self, page):
        self.outside, self.asked, self.said, self.broken = [], [], [], []
        page.on("request", lambda request: self.called(request.url))
        page.on("websocket", lambda socket: self.called(socket.url))
        page.on("console", lambda message: self.said.append(message.text))
        page.on("pageerror", lambda error: self.broken.append(str(error)))

    def called(self, url: str) -> None:
        if not url.startswith(("data:", "blob:")):
            self.asked.append(url)
        if not AT_HOME.match(url):
            self.outside.append(url)


def run_all(page) -> int:
    """Run > Run All Cells, as by hand; the answer is how many dialogs and notices there were."""
    page.wait_for_function(CONNECTED, timeout=PATIENCE_MS)
    notices = page.locator(NOTICES)
    seen = notices.count()
    page.locator(".lm-MenuBar-itemLabel", has_text=re.compile("^Run$")).click()
    page.locator(".lm-Menu-itemLabel", has_text=re.compile("^Run All Cells$")).click()
    page.wait_for_function(AT_REST, timeout=PATIENCE_MS, polling=500)
    seen += notices.count()
    page.evaluate(SAVE)
    return seen


def outputs(cell: dict) -> list[dict]:
    return cell.get("outputs", [])


def figures(cell: dict) -> int:
    shown = ("".join(output.get("data", {}).get("text/html", "")) for output in outputs(cell))
    return sum(text.count("<figure") for text in shown)


def judge(cells: list[dict]) -> None:
    """The saved notebook: every cell ran, and none complained."""
    code = [cell for cell in cells if cell["cell_type"] == "code" and "".join(cell["source"])]
    for number, cell in enumerate(code, start=1):
        for output in outputs(cell):
            assert output["output_type"] != "error", (number, output["ename"], output["evalue"])
            assert output.get("name") != "stderr", (number, output["text"])
    assert [cell["execution_count"] for cell in code] == list(range(1, len(code) + 1))


@pytest.mark.parametrize("name", BOOKS)
def test_a_notebook_runs_in_jupyterlab_draws_and_asks_for_nothing(name, browser, lab, copy):
    base, token = lab
    page = browser.new_page(viewport={"width": 1400, "height": 1000})
    heard = Listener(page)
    page.goto(f"{base}/lab/tree/notebooks/{name}?token={token}&reset", timeout=PATIENCE_MS)
    notices = run_all(page)
    saved = copy / "work" / "lab" / "notebooks" / name
    cells = json.loads(saved.read_text("utf8"))["cells"]
    judge(cells)
    with_pictures = {at: figures(cell) for at, cell in enumerate(cells) if figures(cell)}
    assert with_pictures, "a notebook draws a picture"
    for at, count in with_pictures.items():
        colours = page.evaluate(PICTURES_OF_CELL, at)
        assert len(colours) == count and min(colours) > 5, (at, colours)
    notices += page.locator(NOTICES).count()
    page.evaluate(END)
    page.close()
    assert (notices, heard.outside, heard.broken) == (0, [], [])


@pytest.fixture(scope="module")
def pages(copy):
    """The demo's pages: those of the clone if nothing changed since they were made, else anew."""
    made = ROOT / "work" / "demo" / "pages"
    sources = [
        path.stat().st_mtime
        for name in ("doughkit", "notebooks", "data_demo")
        for path in (ROOT / name).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    ]
    if not (
        (made / "index.html").exists() and (made / "index.html").stat().st_mtime > max(sources)
    ):
        demo = [sys._base_executable, "-m", "doughkit"]
        subprocess.run(demo, cwd=copy, env=surroundings(copy), check=True, capture_output=True)
        made = copy / "work" / "demo" / "pages"
    found = sorted(made.rglob("*.html"))
    assert len(found) > len(BOOKS)
    return found


@pytest.mark.parametrize("width", WIDTHS)
def test_the_pages_fit_a_phone_and_a_desk_and_call_nobody(width, browser, pages):
    for path in pages:
        page = browser.new_page(viewport={"width": width, "height": 900})
        heard = Listener(page)
        page.goto(path.as_uri(), wait_until="networkidle")
        wide = page.evaluate(
            "() => [document.documentElement, document.body].map(one => one.scrollWidth)"
        )
        page.close()
        assert max(wide) <= width, (path.name, wide)
        assert heard.said + heard.broken == [], path.name
        assert heard.asked == [path.as_uri()], "nothing but the page itself is asked for"


SPOILT = """<!DOCTYPE html><title>spoilt</title>
<img src="http://outside.invalid/x.png"><div style="width: 2000px">wide</div>
<script>console.log("said"); throw new Error("broken");</script>"""


def test_a_page_that_calls_out_speaks_breaks_or_runs_over_would_be_caught(browser, tmp_path):
    spoilt = tmp_path / "spoilt.html"
    spoilt.write_text(SPOILT, "utf8")
    page = browser.new_page(viewport={"width": WIDTHS[0], "height": 900})
    heard = Listener(page)
    page.goto(spoilt.as_uri(), wait_until="networkidle")
    wide = page.evaluate("() => document.documentElement.scrollWidth")
    page.close()
    assert heard.outside == ["http://outside.invalid/x.png"]
    assert "said" in heard.said
    assert any("broken" in one for one in heard.broken)
    assert wide > WIDTHS[0]


def test_a_dialog_in_jupyterlab_would_be_counted(browser, lab, copy):
    base, token = lab
    (copy / "work" / "lab" / "notebooks" / "odd.ipynb").write_text("{", "utf8")
    page = browser.new_page(viewport={"width": 1400, "height": 1000})
    page.goto(f"{base}/lab/tree/notebooks/odd.ipynb?token={token}&reset", timeout=PATIENCE_MS)
    page.wait_for_selector(NOTICES, timeout=PATIENCE_MS / 5)
    assert page.locator(NOTICES).count() >= 1
    page.close()
