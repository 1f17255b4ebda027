"""The report of a run: one file, figures as in the tables, and what a browser makes of it."""

from __future__ import annotations

import base64
import csv
import gzip
import html.parser
import json
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
from affine import Affine
from PIL import Image
from run_helpers import CRS, project
from shapely import Point

import shelterscape
from shelterscape import registry
from shelterscape.cli import main
from shelterscape.errors import InputError
from shelterscape.files import html_page
from shelterscape.files.html_page import HoldingPage, Page, PageTable, write_page
from shelterscape.files.page_parts import packed_features, raster_picture
from shelterscape.runs import GEOPACKAGE, REPORT, report
from shelterscape.runs.report import finished_record
from shelterscape.terms import TERMS

pytestmark = pytest.mark.skipif(
    not html_page.BUNDLE.joinpath("report.js").is_file(),
    reason="the scripts of the page need npm",
)


class Reader(html.parser.HTMLParser):
    """Cells of each table, the data of the script, and all addresses in a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tables: dict[str, list[list[str]]] = {}
        self.texts: list[str] = []
        self.addresses: list[str] = []
        self._table: list[list[str]] | None = None
        self._cell = self._data = False
        self.data = self._region = ""
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        found = dict(attrs)
        self.addresses += [found[k] for k in ("src", "href", "action") if k in found]
        if tag == "table":
            name = found.get("id", self._region).removeprefix("table-")
            self._table = self.tables.setdefault(name, [])
        elif tag == "tr" and self._table is not None:
            self._table.append([])
        elif tag in ("td", "th") and self._table is not None:
            self._table[-1].append("")
            self._cell = True
        self._region = found.get("aria-label", self._region)
        self._data = tag == "script" and found.get("id") == "data"

    def handle_endtag(self, tag):
        self._cell = self._cell and tag not in ("td", "th")
        self._table = None if tag == "table" else self._table
        self._data = False

    def handle_data(self, data):
        if self._data:
            self.data += data
        elif self._cell:
            self._table[-1][-1] += data
        else:
            self.texts.append(data)


@pytest.fixture(scope="module")
def page(tmp_path_factory, drawn):
    """A run with its page, and what the page holds."""
    folder = tmp_path_factory.mktemp("report")
    out = folder / "out"
    with drawn():
        shelterscape.shelter(**project(folder / "in"), out=out, pictures=False)
    return out, Reader((out / REPORT).read_text(encoding="utf-8"))


def test_figures_are_those_of_the_tables(page):
    out, read = page
    for path in out.glob("tables/*.csv"):
        lines = path.read_text(encoding="utf-8").splitlines()
        rows = list(csv.reader(line for line in lines if not line.startswith("#")))
        used = [i for i in range(len(rows[0])) if any(row[i] for row in rows[1:])]
        assert read.tables[path.stem][1:] == [[row[i] for i in used] for row in rows[1:]]


def test_figures_are_those_of_the_layers(page):
    out, read = page
    layer = pyogrio.read_dataframe(out / GEOPACKAGE, layer="belts_assessed")
    rows = read.tables["belts_assessed"]
    heights = [row[1 + rows[0][1:].index(TERMS["height_m"].label)] for row in rows[1:]]
    assert [float(h) for h in heights] == layer["height_m"].tolist()


def test_the_map_holds_every_feature_and_value(page):
    out, read = page
    data = json.loads(read.data)
    for layer in data["layers"]:
        features = json.loads(gzip.decompress(base64.b64decode(layer["features"])))["features"]
        assert len(features) == pyogrio.read_info(out / GEOPACKAGE, layer=layer["name"])["features"]
    raster = next(r for r in data["rasters"] if r["name"] == "relative_wind")
    with rasterio.open(out / "rasters" / "relative_wind.tif") as source:
        values = source.read(1, masked=True)
    codes = pixels_of(raster["bands"][0]["picture"], out)
    there = ~np.ma.getmaskarray(values)
    step = (raster["high"] - raster["low"]) / 254
    seen = raster["low"] + step * (codes.astype(float) - 1)
    assert np.abs(seen - values)[there].max() <= step / 2 + 1e-6
    assert (codes[~there] == 0).all()


def pixels_of(address, folder):
    path = folder.parent / "picture.png"
    path.write_bytes(base64.b64decode(address.removeprefix("data:image/png;base64,")))
    return np.asarray(Image.open(path))


def test_the_page_needs_nothing_else(page):
    out, read = page
    text = (out / REPORT).read_text(encoding="utf-8")
    parts = {f"#{name}" for name in re.findall(r'id="(part-[a-z]*)"', text)}
    assert all(a.startswith("data:") or a in parts for a in read.addresses)
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text).group(1)
    assert policy.startswith("default-src 'none'") and "unsafe" not in policy
    assert "http" not in policy


def test_it_begins_with_the_question_and_the_answer(page):
    out, read = page
    record = json.loads((out / "record.json").read_text(encoding="utf-8"))
    texts = [t.strip() for t in read.texts if t.strip()]
    (step,) = record["steps"]
    begins = texts.index(step["question"] or "Shelter by belts: where, and how much", 1)
    answer = step["answer"][0]
    assert texts[begins + 2] == answer[:1].upper() + answer[1:]
    caution = next(i for i, t in enumerate(texts) if t == step["cautions"][1])
    assert caution > begins
    assert any(entry["path"] == REPORT for entry in record["outputs"])


def run_command(folder, path):
    """Exit code of the command that writes a report."""
    with pytest.raises(SystemExit) as ended:
        main(["report", str(folder), "--out", str(path)])
    return ended.value.code


def test_equal_runs_have_equal_pages(page, tmp_path):
    out, _ = page
    run_command(out, tmp_path / "again.html")
    assert (tmp_path / "again.html").read_bytes() == (out / REPORT).read_bytes()


EMPTY = Page("Wind", (("Wind", ("calm",)),), (), (), (), (), (), ())


def test_text_with_markup_is_text(tmp_path):
    bad = "</script><script>alert('1')</script><b>&\u2028"
    table = PageTable("belts", bad, ((bad, False),), ((bad,),))
    page = Page(bad, ((bad, (bad,)),), (bad,), (bad,), (bad,), ((bad, (bad,)),), (bad,), (bad,),
                {"cases": [bad], "rasters": [], "layers": [{"name": bad}]}, (table,))  # fmt: skip
    write_page(tmp_path / "page.html", page)
    text = (tmp_path / "page.html").read_text(encoding="utf-8")
    read = Reader(text)
    assert read.tables["belts"] == [[bad], [bad]]
    assert json.loads(read.data)["layers"] == [{"name": bad}]
    assert text.count("</script>") == 2 and "<b>" not in text


def test_a_large_raster_is_reduced_by_means(tmp_path):
    path = tmp_path / "a.tif"
    profile = {"driver": "GTiff", "height": 1500, "width": 900, "count": 1, "dtype": "float32"}
    values = np.full((1500, 900), -9999, np.float32)
    values[:, 300:600] = 0.5
    with rasterio.open(path, "w", crs=CRS, transform=Affine(1, 0, 0, 0, -1, 1500), nodata=-9999,
                       **profile) as data:  # fmt: skip
        data.write(values, 1)
    address, extent = raster_picture(path, 1, 0.0, 1.0)
    codes = pixels_of(address, path)
    assert codes.shape == (500, 300) and extent == (0, 0, 900, 1500)
    assert (codes[:, 100:200] == 128).all() and (codes[:, :100] == 0).all()


def test_features_keep_missing_values_and_order():
    frame = gpd.GeoDataFrame(
        {"name": ["b", "a"], "year": [2030, np.nan]}, geometry=[Point(1.26, 2), Point(3, 4)]
    )
    found = json.loads(gzip.decompress(base64.b64decode(packed_features(frame))))["features"]
    assert [f["properties"] for f in found] == [
        {"name": "b", "year": 2030.0},
        {"name": "a", "year": None},
    ]
    assert [f["id"] for f in found] == [0, 1]
    assert found[0]["geometry"]["coordinates"] == pytest.approx((1.3, 2.0))


def test_what_is_too_large_for_the_page_is_named(page, tmp_path, monkeypatch):
    out, read = page
    assert "Too large" not in " ".join(read.texts)
    monkeypatch.setattr(report, "MOST_VERTICES", 10)
    monkeypatch.setattr(report, "MOST_ROWS", 1)
    assert run_command(out, tmp_path / "less.html") == 0
    less = Reader((tmp_path / "less.html").read_text(encoding="utf-8"))
    (line,) = (text for text in less.texts if "Too large" in text)
    assert "shelter_zones" in line and "shelter_areas" in line and "relative_wind" not in line
    assert "shelter_areas" not in less.tables


def test_a_run_without_the_scripts_keeps_its_results(tmp_path, monkeypatch, drawn):
    monkeypatch.setattr(html_page, "BUNDLE", tmp_path)
    given = project(tmp_path / "in")
    with drawn():
        result = shelterscape.shelter(**given, out=tmp_path / "out", pictures=False)
    assert result.rasters["relative_wind"].is_file()
    assert not (result.folder / REPORT).exists()
    assert [n.code for n in result.notices].count("report-left-out") == 1
    assert result.summary.open_first != REPORT


def test_a_run_that_was_changed_has_no_report(page, tmp_path):
    out, _ = page
    copy = shutil.copytree(out, tmp_path / "copy")
    next((copy / "tables").glob("*.csv")).write_text("other numbers", encoding="utf-8")
    with pytest.raises(InputError, match="changed since"):
        finished_record(copy)


def test_bad_requests_are_clear_errors(page, tmp_path, monkeypatch, capsys):
    out, _ = page
    assert run_command(out, tmp_path / "none" / "a.html") == 4
    with pytest.raises(InputError) as refused:
        finished_record(tmp_path)
    assert refused.value.code == "run-unknown"
    assert [run_command(out, tmp_path / "a.html") for _ in range(2)] == [0, 4]
    assert "--overwrite" in capsys.readouterr().err
    monkeypatch.setattr(html_page, "BUNDLE", tmp_path)
    assert run_command(out, tmp_path / "b.html") == 1
    assert "--no-report" in capsys.readouterr().err
    assert not (tmp_path / "b.html").exists()


# ---- in a browser

AXE = Path(__file__).parents[1] / "web" / "node_modules" / "axe-core" / "axe.min.js"
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or ""


def opened(path, folder, size="1280,1600"):
    """The page after its script has run, and what the browser reported."""
    if not CHROMIUM:
        pytest.skip("no Chromium is installed")
    done = subprocess.run(
        [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--enable-logging=stderr",
         "--disable-background-networking", f"--user-data-dir={folder / 'profile'}",
         f"--window-size={size}", "--virtual-time-budget=20000", "--dump-dom", path.as_uri()],
        capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    return done.stdout, [line for line in done.stderr.splitlines() if "CONSOLE" in line]


@pytest.mark.slow
def test_a_browser_draws_the_page_without_complaint(page, tmp_path):
    out, _ = page
    for size in ("1280,1600", "375,800"):
        text, console = opened(out / REPORT, tmp_path, size)
        assert console == []
        assert 'data-ready="true"' in text
        assert "<canvas" in text and text.count('type="checkbox"') == 3


@pytest.mark.slow
def test_a_page_without_a_map_has_its_tables(tmp_path):
    rows = tuple((f"row {i}",) for i in range(20))
    table = PageTable("sectors", "Sectors", (("name", False),), rows, is_open=True)
    write_page(tmp_path / "page.html", replace(EMPTY, tables=(table,)))
    text, console = opened(tmp_path / "page.html", tmp_path)
    assert console == []
    assert 'data-ready="true"' in text
    assert "row 11" in text and "row 12" not in text  # a page of the table has twelve rows


@pytest.mark.slow
def test_switches_and_accessibility(page, tmp_path):
    """A copy without the policy, with a script that operates the page and examines it."""
    if not AXE.is_file():
        pytest.skip("the accessibility checks need the development packages of web/")
    out, read = page
    text = (out / REPORT).read_text(encoding="utf-8")
    text = re.sub(r"<meta http-equiv=.Content-Security-Policy.*?>", "", text)
    script = """
while (!document.documentElement.dataset.ready) await new Promise((done) => setTimeout(done, 50));
const found = {};
const select = document.getElementById('case');
select.value = select.options[select.options.length - 1].value;
select.dispatchEvent(new Event('change'));
await new Promise((done) => setTimeout(done, 300));
found.raster = document.getElementById('raster').selectedOptions[0].dataset.band;
const compare = document.getElementById('compare');
compare.value = compare.options[1].value;
compare.dispatchEvent(new Event('change'));
const swipe = document.getElementById('swipe');
swipe.value = '0.25';
swipe.dispatchEvent(new Event('input'));
await new Promise((done) => setTimeout(done, 300));
const line = document.getElementById('swipe-line');
found.swipe = [line.hidden, line.style.left, compare.value];
document.querySelector('button[data-layer=belts_assessed]').click();
found.chosen = document.getElementById('chosen').textContent;
const more = document.createElement('details');
more.className = 'more';
more.innerHTML = '<summary>2 more</summary>';
document.querySelector('main').append(more);
const wide = document.getElementById('table-belts_assessed');
const [heads, cells] = [wide.tHead.rows[0], wide.tBodies[0].rows[0]];
for (let i = 0; i < 20; i += 1) {
  heads.append(Object.assign(document.createElement('th'), {textContent: `more ${i}`}));
  cells.insertCell();
}
found.more = ['beforeprint', 'afterprint'].map((name) => {
  window.dispatchEvent(new Event(name));
  return [more.open, document.getElementById('map').offsetWidth];
});
found.stacked = [wide.classList.contains('stacked'), cells.lastChild.dataset.title];
const result = await axe.run(document, {resultTypes: ['violations']});
const serious = result.violations.filter((v) => ['serious', 'critical'].includes(v.impact));
found.faults = serious.map((v) => v.id);
document.body.dataset.found = JSON.stringify(found);
"""
    changed = tmp_path / "changed.html"
    axe = AXE.read_text(encoding="utf-8").replace("</script", "<\\/script")
    added = f"<script>{axe}</script><script type=module>{script}</script></body>"
    changed.write_text(text.replace("</body>", added), encoding="utf-8")
    shown, console = opened(changed, tmp_path)
    assert console == []
    found = json.loads(html.unescape(re.search(r'data-found="([^"]*)"', shown).group(1)))
    cases = json.loads(read.data)["cases"]
    assert found["raster"] == cases[-1]
    assert found["swipe"][:2] == [False, "25%"] and found["swipe"][2] != "|"
    assert read.tables["belts_assessed"][1][1] in found["chosen"]
    (opened_list, printed_px), (closed_list, screen_px) = found["more"]
    assert opened_list and not closed_list
    # The map is 180 mm wide on paper, at 96 px to the inch.
    assert printed_px == round(180 / 25.4 * 96) != screen_px
    assert found["stacked"] == [True, "more 19"]
    assert found["faults"] == []


A4_PT, A3_WIDE_PT = (595, 842), (1191, 842)
"""Sides of ISO 216 sheets, 210 × 297 and 420 × 297 mm, in points (1/72 inch)."""


@pytest.mark.slow
def test_the_reader_prints_on_a4_or_a3_and_pages_of_holdings_on_a4(tmp_path):
    """Sizes of the pages of the PDF files that a browser prints."""
    if not CHROMIUM:
        pytest.skip("no Chromium is installed")
    sheet = HoldingPage("Holding", ("1 line",), (), ("none",), ("visit",))
    write_page(tmp_path / "A4.html", replace(EMPTY, holdings=(sheet, sheet)))
    text = (tmp_path / "A4.html").read_text(encoding="utf-8")
    text = text.replace('<option value="A3"', '<option value="A3" selected')
    (tmp_path / "A3.html").write_text(text, encoding="utf-8")
    sizes = {name: printed_sizes(tmp_path / f"{name}.html") for name in ("A4", "A3")}
    assert set(sizes["A4"]) == {A4_PT} and len(sizes["A4"]) == 4
    assert sizes["A3"] == [A3_WIDE_PT, A4_PT, A4_PT, A3_WIDE_PT]


def printed_sizes(page):
    """Width and height of each page that the browser prints, points."""
    path = page.with_suffix(".pdf")
    subprocess.run(
        [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
         f"--user-data-dir={page.parent / 'profile'}", "--virtual-time-budget=20000",
         f"--print-to-pdf={path}", page.as_uri()],
        capture_output=True, timeout=120, check=True,
    )  # fmt: skip
    boxes = re.findall(rb"/MediaBox \[([^\]]*)\]", path.read_bytes())
    return [tuple(round(float(side)) for side in box.split()[2:]) for box in boxes]


def test_the_step_that_decides_comes_first_on_the_page(tmp_path):
    """Of three steps the one that ranks by benefit is first, then the last one."""
    steps = [
        {"process": name, "question": "", "answer": ["x"], "certainty": [], "figures": {},
         "notices": [], "bands": {}, "features": {}}
        for name in ("wind-set", "siting", "side-effects")
    ]  # fmt: skip
    processes = [registry.find(step["process"]) for step in steps]
    for process in processes:
        for output in process.outputs:
            for file in output.files:
                (tmp_path / file).parent.mkdir(exist_ok=True)
                (tmp_path / file).touch()
    parts, summary = report._read(tmp_path, {"steps": steps, "title": "Where?"}, processes)
    assert [part.process.id for part in parts] == ["siting", "side-effects", "wind-set"]
    assert summary.answer[0][0] == processes[1].title and summary.question == "Where?"
