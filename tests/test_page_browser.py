"""The page in a real browser: at the width of a telephone and of a desk, in light and in dark."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess

import pytest

import fanstats as fs
from fanstats.output.page import write_page

BROWSER = next(
    filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None
)
NAMES = ['<script>alert("x")</script>', "A & B $5", "日本 {{ 7*7 }}", "x" * 90]

# Looks at the page from a frame around it: the page itself may run nothing.
LOOK = """<!DOCTYPE html><iframe id="f" style="border:0;width:WIDTHpx;height:1500px"
src="page.html"></iframe><pre id="out"></pre><script>
document.getElementById("f").onload = function () {
  const d = this.contentDocument, w = this.contentWindow, css = e => w.getComputedStyle(e);
  const parts = text => text.match(/[\\d.]+/g).map(Number);
  const light = c => { const v = c.slice(0, 3).map(x => { x /= 255;
    return x <= 0.04045 ? x / 12.92 : Math.pow((x + 0.055) / 1.055, 2.4); });
    return 0.2126 * v[0] + 0.7152 * v[1] + 0.0722 * v[2]; };
  const ground = e => { for (; e; e = e.parentElement) {
    const c = parts(css(e).backgroundColor); if (c.length < 4 || c[3] > 0) return c; }
    return [255, 255, 255]; };
  let contrast = 99, size = 99;
  const walk = d.createTreeWalker(d.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) { if (!walk.currentNode.data.trim()) continue;
    const e = walk.currentNode.parentElement, s = css(e);
    const [a, b] = [light(parts(s.color)), light(ground(e))];
    contrast = Math.min(contrast, (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05));
    size = Math.min(size, parseFloat(s.fontSize)); }
  d.querySelectorAll("details").forEach(e => { e.open = true; });
  const scrolls = [...d.querySelectorAll("*")].filter(e =>
    /auto|scroll/.test(css(e).overflowX) && e.scrollWidth > e.clientWidth + 1);
  const stops = [...d.querySelectorAll("summary, [tabindex]")];
  const reached = stops.filter(e => { e.focus(); return d.activeElement === e; });
  document.getElementById("out").textContent = JSON.stringify({
    contrast, size, paper: css(d.body).backgroundColor,
    overflow: d.documentElement.scrollWidth - w.innerWidth,
    scrolls: scrolls.length, unreachable: scrolls.filter(e => e.tabIndex < 0).length,
    stops: stops.length, reached: reached.length,
    images: d.images.length, loaded: [...d.images].filter(i => i.naturalWidth > 0).length,
    point: Math.min(...[...d.images].map(i => i.clientWidth / (i.naturalWidth * 0.75))),
    outside: w.performance.getEntriesByType("resource").filter(
      r => !r.name.startsWith("data:")).length,
    scripts: d.scripts.length, text: d.body.textContent });
};</script>"""

pytestmark = pytest.mark.skipif(BROWSER is None, reason="no chromium here")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A page about names that could break it."""
    bench = fs.Bench(spread=fs.UnitSpread(noise=fs.standard(0.8), airflow=fs.standard("2 %")))
    values = dict(zip(NAMES, (470, 450, 430, 300), strict=True))
    estimates = fs.from_chart(
        values, quantity="airflow", units="fpm", level=36, bench=bench, draws=300, rng=1
    )
    out = tmp_path_factory.mktemp("page")
    write_page(estimates, None, bench, out)
    return out


def seen(folder, width, dark):
    """What the browser finds."""
    (folder / "look.html").write_text(LOOK.replace("WIDTH", str(width)), encoding="utf-8")
    ran = subprocess.run(
        [BROWSER, "--headless", "--no-sandbox", "--disable-gpu",
         "--allow-file-access-from-files", f"--user-data-dir={folder / 'profile'}",
         f"--blink-settings=preferredColorScheme={0 if dark else 1}",
         "--virtual-time-budget=10000", "--window-size=1400,1600", "--dump-dom",
         (folder / "look.html").as_uri()],
        capture_output=True, text=True, encoding="utf-8", timeout=120, check=True,
    )  # fmt: skip
    found = re.search(r'<pre id="out">(.*?)</pre>', ran.stdout, re.DOTALL)
    return json.loads(html.unescape(found.group(1)))


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("width", [360, 1280])
def test_it_can_be_read_and_reached_by_keys_in_a_browser(folder, width, dark):
    """Contrast 4.5:1, no side scrolling, all that scrolls or opens takes the focus, no request."""
    found = seen(folder, width, dark)

    assert found["contrast"] >= 4.5
    assert found["size"] >= 12
    assert found["overflow"] <= 0
    assert found["unreachable"] == 0
    assert found["stops"] == found["reached"] > 3
    assert found["images"] == found["loaded"] > 1
    assert found["point"] >= 1.1  # the smallest text of a chart, 7 points, has some 8 pixels
    assert found["outside"] == found["scripts"] == 0
    assert ("255, 255, 255" in found["paper"]) != dark
    for name in NAMES:
        assert name in found["text"]
