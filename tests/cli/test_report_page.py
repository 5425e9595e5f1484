"""The page of cantle report in a headless Chromium without a network: what is shown is what the map file holds."""
import re
import shutil
import sys
import unittest

import numpy as np

import browser
from run import InFolder
from test_figures import factor
from test_report import HOSTILE, WithReport, maps_of

NUMBER = r"-?\d+(?:\.\d+)?(?:e[-+]\d+)?"


def setUpModule():
    if not browser.PROGRAM:
        print("skipped: there is no chromium here (jobs/install.sh tests)")
        sys.exit(77)
    try:
        browser.Browser().close()
    except browser.Broken as why:
        print(f"skipped: chromium cannot run here: {why}")
        sys.exit(77)


class Page(WithReport):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        name = "m<img onerror=window.hacked=3 src=x>.h5"
        shutil.copy(cls.folder / "m.h5", cls.folder / name)
        cls.run_there("report", name, "-o", "r.html", "--curves", 8, "--pixel", "2,3")
        cls.page = browser.Browser()
        cls.addClassCleanup(cls.page.close)
        maps = maps_of(cls.folder / "m.h5")
        cls.maps, cls.units = ({name: d[i] for name, d in maps.items()} for i in (0, 1))

    def setUp(self):
        self.page.complaints.clear()
        self.page.requests.clear()
        self.page.open(self.folder / "r.html")

    def tearDown(self):
        self.assertEqual(self.page.complaints, [])
        self.assertEqual(self.page.requests, [(self.folder / "r.html").resolve().as_uri()], "nothing else is asked for")
        self.assertFalse(self.page.run("'hacked' in window"))

    def click_pixel(self, column, row):
        self.page.click("#map .u-over", (column + 0.5) / 12, 1 - (row + 0.5) / 9)

    def chosen(self):
        return tuple(self.page.run("[report.state.column, report.state.row]"))

    def check_results(self, column, row):
        """The table on the screen, as far as it is printed."""
        lines = self.page.run("[...document.querySelectorAll('#results tbody tr')].map(r => [r.dataset.map, r.cells[1].textContent])")
        self.assertGreater(len(lines), 30)
        for name, said in lines:
            value = float(self.maps[name][row, column])
            if said == "none":
                self.assertTrue(np.isnan(value), name)
                continue
            number, error, unit = re.fullmatch(rf"({NUMBER})(?: \u00b1 ({NUMBER}))? ?(\S*)", said).groups()
            unit = unit.replace("\u00b2", "2").replace("\u00b5", "u")
            scale = factor(unit) / factor(self.units[name])
            digit = 10.0 ** -len(number.partition(".")[2]) * scale
            slack = 0.51 * digit if error and "e" not in number else 0.51e-3 * abs(value)
            self.assertLessEqual(abs(float(number) * scale - value), slack + 1e-6 * abs(value), f"{name}: {said}, {value}")
            if error:
                stored = float(self.maps[f"{name}_errors"][row, column])
                self.assertLessEqual(abs(float(error) * scale - stored), 0.051 * stored + 1e-12, f"{name}: {said}, {stored}")
        words = self.page.text("#pixel-words")
        self.assertIn(["pending", "accepted", "doubtful", "rejected", "absent"][self.maps["state"][row, column]], words)

    def check_curve(self, column, row):
        """Samples, model and residuals that are drawn are those of `cantle curve`, and give the map's residual."""
        text = self.run_there("curve", "m.h5", column, row, "-o", "c.png", "--text", "-").stdout
        table = np.loadtxt(text.splitlines())
        drawn = self.page.run("(c => c && ({column: c.column, row: c.row, k: c.spring_n_per_m, fitted: c.fitted, noise: c.segments[0].noise_m,"
                              "zero: c.contact_point_m, model: [...c.model].map(String), used: [...c.used],"
                              "segments: c.segments.map(s => [[...s.z], [...s.force]])}))(report.curve())")
        self.assertEqual((drawn["column"], drawn["row"]), (column, row))
        for number in (1, 2):
            part = table[table[:, 0] == number]
            z, force = map(np.array, drawn["segments"][number - 1])
            np.testing.assert_allclose(z * 1e9, part[:, 2], rtol=2e-7, atol=1e-4)
            np.testing.assert_allclose(force * 1e9, part[:, 4], rtol=1e-6, atol=1e-8)
        used, model = np.array(drawn["used"]) == 1, np.array(drawn["model"], float)
        z, force = map(np.array, drawn["segments"][0])
        np.testing.assert_array_equal(used, table[table[:, 0] == 1][:, 6] == 1)
        self.assertEqual(used.sum(), np.nan_to_num(self.maps["samples_used"][row, column]))
        if not used.any():
            return
        np.testing.assert_allclose((force - model)[used] / drawn["k"] * 1e9, table[table[:, 0] == 1][:, 8][used], atol=1e-5)
        inside = used & (z > drawn["zero"])
        rms, unit = np.sqrt(np.mean((force - model)[inside] ** 2)), factor(self.units["fit_residual"])
        np.testing.assert_allclose(rms / unit, self.maps["fit_residual"][row, column], rtol=1e-3)

    def test_click_shows_the_curve(self):
        curves = self.page.run("report.facts.curves.map(c => [c.column, c.row])")
        self.assertGreater(len(curves), 10)
        for column, row in curves[:3] + curves[-2:]:
            self.click_pixel(column, row)
            self.assertEqual(self.chosen(), (column, row))
            self.check_results(column, row)
            self.check_curve(column, row)
            self.assertEqual(self.page.run("document.querySelectorAll('#force canvas').length"), 1)
        rejected, = np.argwhere((self.maps["state"] == 3))
        self.click_pixel(rejected[1], rejected[0])
        self.assertIn("no contact found", self.page.text("#pixel-flags"))
        self.check_results(rejected[1], rejected[0])
        self.check_curve(rejected[1], rejected[0])

    def test_a_pixel_without_its_curve(self):
        there = {tuple(c) for c in self.page.run("report.facts.curves.map(c => [c.column, c.row])")}
        column, row = next((c, r) for r in range(8) for c in range(12) if (c, r) not in there)
        self.click_pixel(column, row)
        self.assertEqual(self.chosen(), (column, row))
        self.assertIsNone(self.page.run("report.curve()"))
        self.check_results(column, row)
        self.assertIn(f"--pixel {column},{row}", self.page.text("#force"))
        self.page.click("#force button")
        self.assertIn(self.chosen(), there)
        self.click_pixel(1, 8)  # absent
        self.assertIn("No curve was taken here", self.page.text("#force"))

    def test_keys(self):
        """From the top of the page to the map with Tab alone; arrows move; the list of curves is one stop."""
        for _ in range(20):
            self.page.key("Tab")
            if self.page.run("document.activeElement.id") == "map":
                break
        self.assertEqual(self.page.run("document.activeElement.id"), "map")
        self.assertGreater(self.page.run("parseFloat(getComputedStyle(document.activeElement).outlineWidth)"), 1)
        self.page.run("report.choosePixel(5, 4)")
        for key, shift, place in (("ArrowRight", False, (6, 4)), ("ArrowUp", False, (6, 5)), ("ArrowLeft", False, (5, 5)),
                                  ("ArrowDown", False, (5, 4)), ("End", False, (11, 4)), ("ArrowRight", False, (11, 4)),
                                  ("Home", False, (0, 4)), ("ArrowRight", True, (10, 4)), ("ArrowUp", True, (10, 8))):
            self.page.key(key, shift)
            self.assertEqual(self.chosen(), place, key)
            self.check_results(*place) if key == "End" else None
        self.page.key("n")
        self.assertIsNotNone(self.page.run("report.curve()"))
        there = self.page.run("[...document.querySelectorAll('#curve-list button')].map(b => b.tabIndex)")
        self.assertEqual(sorted(there)[-2:], [-1, 0])
        self.page.run("document.querySelector('#curve-list button[tabindex=\"0\"]').focus()")
        seen = set()
        for _ in there:
            self.page.key("ArrowRight")
            seen.add(self.page.run("document.activeElement.textContent"))
            self.assertEqual(self.page.run("document.activeElement.getAttribute('aria-pressed')"), "true")
            self.assertEqual(list(self.chosen()), self.page.run("(d => [+d.column, +d.row])(document.activeElement.dataset)"))
        self.assertEqual(len(seen), len(there))
        self.assertEqual(self.page.run("[...document.querySelectorAll('input, select, button')].filter(e => !e.labels?.length &&"
                                       "!e.textContent.trim()).length"), 0, "every control has a label")

    def colours(self, column, row):
        """Of one pixel of the map: what the canvas has around its middle, red, green, blue."""
        return np.array(self.page.run(f"""(() => {{
            const c = document.querySelector('#map canvas'), o = document.querySelector('#map .u-over').getBoundingClientRect(),
              b = c.getBoundingClientRect(), r = c.width / b.width,
              w = o.width * r / 12, h = o.height * r / 9, x = (o.left - b.left) * r + {column} * w, y = (o.top - b.top) * r + {8 - row} * h;
            const copy = document.createElement('canvas').getContext('2d', {{willReadFrequently: true}});
            copy.canvas.width = c.width; copy.canvas.height = c.height; copy.drawImage(c, 0, 0);
            return [...copy.getImageData(x + w / 4, y + h / 4, w / 2, h / 2).data]; }})()""")).reshape(-1, 4)[:, :3]

    def test_scale_and_histogram(self):
        self.page.run("report.choosePixel(0, 0); document.querySelector('#show-dots').click()")
        modulus = self.maps["modulus"].astype(float)
        counted = np.isin(self.maps["state"], (1, 2)) & np.isfinite(modulus)
        unit = factor(self.page.text("#range-unit").strip("()")) / factor(self.units["modulus"])
        self.page.click("#scale-linear")
        low, high = (float(self.page.run(f"document.querySelector('#range-{end}').value")) * unit for end in ("low", "high"))
        np.testing.assert_allclose([low, high], np.quantile(modulus[counted], [0.02, 0.98]), rtol=1e-4)
        palette = [[int(c[i:i + 2], 16) for i in (1, 3, 5)] for c in self.page.run("report.facts.colours.map")]
        low, high = np.round(np.quantile(modulus[counted], [0.1, 0.9]) / unit, 3) * unit
        self.page.type("#range-low", f"{low / unit}")
        self.page.type("#range-high", f"{high / unit}")
        row, column = np.argwhere(counted & (modulus > low) & (modulus < high) & (np.arange(12) > 2))[0]
        for log, t in ((False, (modulus[row, column] - low) / (high - low)),
                       (True, np.log(modulus[row, column] / low) / np.log(high / low))):
            self.page.click("#scale-log" if log else "#scale-linear")
            np.testing.assert_allclose(self.colours(column, row), np.tile(palette[round(t * 255)], (len(self.colours(column, row)), 1)), atol=4)
        outside = [(modulus[counted] < low).sum(), (modulus[counted] > high).sum()]
        self.assertIn(f"{counted.sum()} accepted", self.page.text("#histogram-words"))
        self.assertIn(f"{outside[0]} below and {outside[1]} above", self.page.text("#histogram-words"))
        self.page.drag("#histogram .u-over", 0.3, 0.7)
        begin, end = (v * unit for v in self.page.run("report.state.brush"))
        np.testing.assert_allclose(np.log(np.array([begin, end]) / low) / np.log(high / low), [0.3, 0.7], atol=0.01)
        inside = counted & (modulus >= begin) & (modulus <= end)
        self.assertTrue(0 < inside.sum() < counted.sum())
        self.assertTrue(self.page.text("#brush-words").startswith(f"{inside.sum()} pixels between"))
        for where, faded in ((inside, False), (counted & ~inside, True)):
            row, column = np.argwhere(where & (np.arange(12) > 1))[0]
            self.assertEqual(bool((self.colours(column, row) > 170).all()), faded)
        self.page.type("#brush-low", f"{np.median(modulus[counted]) / unit:.4f}")
        self.page.type("#brush-high", "")
        self.assertRegex(self.page.text("#brush-words"), r"^\d+ pixels")
        self.page.click("#brush-clear")
        self.assertEqual(self.page.text("#brush-words"), "")
        self.page.type("#range-low", "rubbish")
        self.assertEqual(self.page.run("document.querySelector('#range-low').getAttribute('aria-invalid')"), "true")

    def test_flags(self):
        """Counts are those of the map file; a ticked flag hatches its pixels and no others."""
        self.page.run("report.choosePixel(0, 0); document.querySelector('#show-dots').click()")
        names = self.page.run("report.facts.flags.map(f => [f.name, f.count])")
        for bit, (name, count) in enumerate(names):
            self.assertEqual(count, int((self.maps["flags"] >> np.uint64(bit) & np.uint64(1)).sum()), name)
        bit = [n for n, _ in names].index("no_contact")
        self.page.click(f"#flag-{bit}")
        self.assertIn("hatched: no_contact", self.page.text("#legend"))
        flagged = (self.maps["flags"] >> np.uint64(bit) & np.uint64(1)) == 1
        for column, row in [tuple(np.argwhere(flagged)[0][::-1]), (7, 3), (3, 6)]:
            seen = {tuple(c) for c in self.colours(column, row)}
            self.assertEqual({(0, 0, 0), (255, 255, 255)} <= seen, bool(flagged[row, column]), (column, row))
        self.page.click(f"#flag-{bit}")
        self.assertEqual(len({tuple(c) for c in self.colours(7, 3)}), 1)

    def test_other_maps_and_errors(self):
        for index, about in enumerate(self.page.run("report.facts.maps.map(m => ({name: m.name, errors: m.errors}))")[:8]):
            self.page.run(f"(e => {{ e.value = '{index}'; e.dispatchEvent(new Event('change')); }})(document.querySelector('#map-choice'))")
            values = self.maps[about["name"]][np.isin(self.maps["state"], (1, 2))]
            shown = re.search(rf"median ({NUMBER}) ?(\S*) \(line\)", self.page.text("#histogram-words"))
            scale = factor(shown.group(2).replace("\u00b2", "2").replace("\u00b5", "u")) / factor(self.units[about["name"]])
            np.testing.assert_allclose(float(shown.group(1)) * scale, np.nanmedian(values.astype(float)), rtol=1e-3, atol=1e-12)
        self.page.run("(e => { e.value = '0'; e.dispatchEvent(new Event('change')); })(document.querySelector('#map-choice'))")
        self.page.click("#show-errors")
        self.assertIn("standard error of elastic modulus", self.page.text("#map-title"))

    def test_hostile_words_are_words(self):
        self.assertEqual(self.page.run("document.title"), re.sub(" +", " ", HOSTILE))
        self.assertEqual(self.page.text("#title"), HOSTILE)
        self.assertEqual(self.page.run("document.querySelectorAll('img, iframe, object, #title *, #summary *, #recipe *').length"), 0)
        self.assertIn("m<img onerror=", self.page.text("#summary"))
        self.assertIn("</script><img", self.page.text("#recipe"))

    def test_print(self):
        self.page.call("Emulation.setEmulatedMedia", media="print")
        hidden = self.page.run("['.controls', '#curve-list', '.skip'].map(s => getComputedStyle(document.querySelector(s)).display)")
        wide = self.page.run("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
        self.page.call("Emulation.setEmulatedMedia", media="")
        self.assertEqual(hidden, ["none"] * 3)
        self.assertTrue(wide)
        self.page.pdf(self.folder / "r.pdf")
        data = (self.folder / "r.pdf").read_bytes()
        self.assertTrue(data.startswith(b"%PDF-"))
        self.assertGreater(len(re.findall(rb"/Type\s*/Page\b", data)), 2)


class Refused(WithReport):
    """What the policy of the page is for: even a script that got into it could not run or load anything."""

    def test_foreign_script(self):
        self.run_there("report", "m.h5", "-o", "r.html", "--curves", 0)
        text = (self.folder / "r.html").read_text()
        (self.folder / "bad.html").write_text(text.replace(
            "<header>", "<script>window.hacked = 4</script><img src='https://example.invalid/a.png' onerror='window.hacked = 5'><header>"))
        page = browser.Browser()
        self.addCleanup(page.close)
        page.open(self.folder / "bad.html")
        self.assertFalse(page.run("'hacked' in window"))
        self.assertTrue(any("Content Security Policy" in c for c in page.complaints), page.complaints)
        self.assertIn("12 columns", page.text("#summary"))


if __name__ == "__main__":
    unittest.main()
