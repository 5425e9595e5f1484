"""Run a command and take its time; say whether the machine was quiet enough for it to mean something."""
import json
import os
import pathlib
import statistics
import subprocess
import time

ROOT = pathlib.Path(__file__).resolve().parents[2]
BUILD = ROOT / "build"
CANTLE = BUILD / "cantle"
PYTHON = "/usr/bin/python3"


class Times:
    """Repeated measurements of one thing, seconds (or any unit)."""

    def __init__(self, values=()):
        self.values = list(values)

    def add(self, value):
        self.values.append(value)

    @property
    def median(self):
        return statistics.median(self.values)

    def text(self, scale=1.0):
        """median [lowest, highest]"""
        low, mid, high = (number(f(self.values) * scale) for f in (min, statistics.median, max))
        return f"{mid} [{low}, {high}]"


def number(x, digits=3):
    """Three digits, never an exponent."""
    if x != x:
        return "-"
    if x == 0:
        return "0"
    size = len(str(int(abs(x)))) if abs(x) >= 1 else 0
    if size >= digits:
        return f"{x:.0f}"
    small = 0
    while abs(x) * 10 ** (small + 1) < 1 and small < 12:
        small += 1
    return f"{x:.{digits - size + small}f}"


def table(head, rows):
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return "\n".join(lines + ["| " + " | ".join(str(c) for c in row) + " |" for row in rows])


def run(words, **options):
    """Run and insist on success; its stdout."""
    done = subprocess.run([str(w) for w in words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **options)
    if done.returncode != 0:
        raise SystemExit(f"{' '.join(map(str, words))}: exit status {done.returncode}\n{done.stderr}")
    return done.stdout


def timed(words, **options):
    start = time.perf_counter()
    run(words, **options)
    return time.perf_counter() - start


def json_lines(words):
    return [json.loads(line) for line in run(words).splitlines()]


class Load:
    """How busy others keep the processors: looked at in pauses, when this script itself does nothing."""

    TRUSTED_MEDIAN, TRUSTED_WORST, PAUSE_S = 0.05, 0.30, 0.25

    def __init__(self):
        self.busy = []

    @staticmethod
    def _ticks():
        with open("/proc/stat", encoding="ascii") as f:
            t = [int(word) for word in f.readline().split()[1:9]]
        return sum(t), t[3] + t[4]  # idle and waiting for a disk

    def look(self):
        all_before, idle_before = self._ticks()
        time.sleep(self.PAUSE_S)
        all_after, idle_after = self._ticks()
        self.busy.append(1 - (idle_after - idle_before) / max(all_after - all_before, 1))

    @property
    def quiet(self):
        return statistics.median(self.busy) <= self.TRUSTED_MEDIAN and max(self.busy) <= self.TRUSTED_WORST

    def sentence(self):
        share = f"others used {100 * statistics.median(self.busy):.0f} % of the processors (median of {len(self.busy)} looks, at most {100 * max(self.busy):.0f} %)"
        if self.quiet:
            return f"While this was measured {share}: quiet enough."
        return (f"**Do not trust the times below.** While this was measured {share}. "
                "Run it again when nothing else runs; ratios suffer less than times, but they suffer.")


def cpu_model():
    with open("/proc/cpuinfo", encoding="ascii", errors="replace") as f:
        facts = dict(line.split(":", 1) for line in f.read().split("\n\n")[0].splitlines() if ":" in line)
    facts = {k.strip(): v.strip() for k, v in facts.items()}
    flags = facts.get("flags", "").split()
    vectors = [name for flag, name in (("avx2", "AVX2"), ("avx512f", "AVX-512")) if flag in flags]
    place = " in a virtual machine" if "hypervisor" in flags else ""
    family = f" (family {facts['cpu family']}, model {facts['model']})" if "cpu family" in facts else ""
    return f"{facts.get('model name', os.uname().machine)}{family}, {', '.join(vectors) or 'no AVX2'}{place}"


def machine():
    """Rows of a table: what this was measured on."""
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    compiler = run(["cc", "--version"]).splitlines()[0]
    facts = (BUILD / "generated" / "build_facts.h").read_text()
    flags = next(line.split('"')[1] for line in facts.splitlines() if "CANTLE_FLAGS" in line)
    commit = subprocess.run(["git", "-C", str(ROOT), "describe", "--always", "--dirty"], capture_output=True, text=True)
    one, five, _ = os.getloadavg()
    scipy = run([PYTHON, "-c", "import scipy, numpy; print(f'SciPy {scipy.__version__}, NumPy {numpy.__version__}')"]).strip()
    libraries = ", ".join(f"{name} {run(['pkg-config', '--modversion', package]).strip()}" for name, package in
                          (("HDF5", "hdf5-mpich"), ("MPICH", "mpich"), ("GSL", "gsl"), ("cminpack", "cminpack"),
                           ("libdeflate", "libdeflate")))
    return [("processor", cpu_model()), ("cores", os.cpu_count()), ("memory", f"{memory:.0f} GiB"),
            ("system", f"{os.uname().sysname} {os.uname().release}"), ("compiler", f"{compiler}, {flags}"),
            ("libraries", f"{libraries}, {scipy}"), ("program", commit.stdout.strip() or "unknown"),
            ("date", time.strftime("%Y-%m-%d %H:%M UTC", time.gmtime())),
            ("load average at the start", f"{one:.2f} (1 minute), {five:.2f} (5 minutes)")]
