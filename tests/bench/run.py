"""The races of run.sh, one after the other; see there. Each section returns its part of the page, and what
it measured goes to the list of goals."""
import argparse
import concurrent.futures
import contextlib
import pathlib
import shutil
import string
import subprocess
import sys
import tempfile
import time

from measure import BUILD, CANTLE, PYTHON, ROOT, Load, Times, json_lines, machine, number, run, table, timed

HERE = pathlib.Path(__file__).resolve().parent
PAGE = ROOT / "docs" / "performance.md"
SECTIONS = ("maps", "scaling", "fits", "memory", "schedule", "profile")


class Bench:
    def __init__(self, quick, folder):
        self.quick, self.folder = quick, folder
        self.rounds = 3 if quick else 5
        self.load = Load()
        self.goals = []  # (words, goal, measured, met)
        self.side = 64 if quick else 256
        self.machine = machine()

    def say(self, words):
        print(f"[{time.strftime('%H:%M:%S')}] {words}", file=sys.stderr, flush=True)

    def goal(self, words, sign, limit, value, unit=""):
        met = value >= limit if sign == ">=" else value <= limit
        text = {">=": "at least", "<=": "at most"}[sign]
        self.goals.append((words, f"{text} {limit:g}{unit}", f"{number(value)}{unit}", "yes" if met else "**no**"))

    def volume(self, name, **settings):
        """Path of a simulated volume; made when it is not there."""
        path = self.folder / f"{name}.h5"
        chosen = {"scene": "uniform", "model": "jkr", "type": "int16", "samples": 512, "columns": self.side, **settings}
        if chosen["scene"] != "uniform":
            del chosen["model"]
        if not path.exists():
            words = [w for key, value in chosen.items() for w in (f"--{key}", value)]
            run([CANTLE, "simulate", *words, "--quiet", "-o", path])
        return path

    def map_words(self, volume, ranks):
        return ["mpiexec", "-n", ranks, CANTLE, "map", volume, "--quiet", "--overwrite", "-o", self.folder / "maps.h5"]

    def map_time(self, volume, ranks=2):
        return timed(self.map_words(volume, ranks))

    def start_time(self, ranks=2):
        """Start of the launcher and the program, and a finished file, for a volume of 2 x 2 pixels."""
        return self.map_time(self.volume("start", columns=2), ranks)


def scipy(volume, pixels, processes):
    """Seconds for all pixels of the volume, from a part of them."""
    r, = json_lines([PYTHON, "-W", "ignore", HERE / "scipy_maps.py", volume, pixels, processes])
    return r["seconds"] / r["pixels"] * r["of"], r


VOLUMES = (  # name, words, settings, in --quick too
    ("contiguous", "contiguous", {"storage": "contiguous"}, True),
    ("chunked", "chunked", {"storage": "chunked"}, False),
    ("deflate", "shuffle + deflate(4)", {"storage": "deflate"}, True),
    ("blend", "contiguous, two polymers with bad curves", {"scene": "blend", "storage": "contiguous"}, False),
    ("long", "contiguous, 2048 + 2048 samples", {"storage": "contiguous", "samples": 2048}, False),
)


class MapRace:
    """One volume: what its bytes cost, what its maps cost."""

    def __init__(self, bench, name, settings):
        self.path = bench.volume(name, **settings)
        self.maps, self.bytes = Times(), {}
        self.facts = None

    def round(self, bench):
        self.facts, = json_lines([BUILD / "tests" / "read_race", self.path])
        for key, value in self.facts.items():
            self.bytes.setdefault(key, Times()).add(value)
        self.maps.add(bench.map_time(self.path))


def wide_volume(bench):
    """Name, settings."""
    return "wide", {"columns": 128 if bench.quick else 512, "storage": "contiguous"}


def make_volumes(bench, sections):
    """The large ones, two at a time since each is written on one core; the longest first."""
    jobs = [wide_volume(bench)] if "scaling" in sections else []
    if "maps" in sections:
        jobs += [(name, settings) for name, _, settings, quick in reversed(VOLUMES) if quick or not bench.quick]
    if jobs:
        bench.say("volumes")
    with concurrent.futures.ThreadPoolExecutor(2) as pool:
        list(pool.map(lambda job: bench.volume(job[0], **job[1]), jobs))


def section_maps(bench):
    races = {name: MapRace(bench, name, settings) for name, _, settings, quick in VOLUMES if quick or not bench.quick}
    start, one, two = Times(), Times(), Times()
    sample = 100 if bench.quick else 400
    found = None
    for race in races.values():
        bench.map_time(race.path)  # untimed: page cache, and the output's folder
    for r in range(bench.rounds):
        bench.say(f"maps and their rivals, round {r + 1} of {bench.rounds}")
        bench.load.look()
        start.add(bench.start_time())
        for race in races.values():
            race.round(bench)
        seconds, found = scipy(races["contiguous"].path, sample, 1)
        one.add(seconds)
        two.add(scipy(races["contiguous"].path, sample, 2)[0])
    pixels = bench.side**2
    net = start.median
    rows, byte_rows = [], []
    for name, words, _, _ in VOLUMES:
        if name not in races:
            continue
        race = races[name]
        took = race.maps.median
        rows.append((words, f"{race.facts['sample_bytes'] / 2**20:.0f} MiB", race.maps.text(1e3), number(1e3 * (took - net)),
                     number(1e6 * (took - net) / pixels), f"{pixels / took / 1e6:.3f}",
                     number(took / race.bytes["read"].median), number((took - net) / race.bytes["read"].median)))
        byte_rows.append((words, *(race.bytes[k].text(1e3) if k in race.bytes else "" for k in
                                   ("memcpy", "read", "h5dread", "libdeflate_1", "libdeflate_2"))))
    plain, packed = races["contiguous"], races["deflate"]
    bench.goal("one default map, 2 ranks, against SciPy in one process", ">=", 250, one.median / plain.maps.median)
    bench.goal("the same against SciPy in two processes", ">=", 250, two.median / plain.maps.median)
    bench.goal("map of contiguous int16 over a plain warm read of the file", "<=", 25,
               plain.maps.median / plain.bytes["read"].median)
    bench.goal("map of shuffle + deflate over libdeflate alone on two cores", "<=", 2.5,
               packed.maps.median / packed.bytes["libdeflate_2"].median)
    scipy_rows = [("script with SciPy, one process", number(1e6 * one.median / pixels), one.text(), number(one.median / plain.maps.median)),
                  ("script with SciPy, two processes", number(1e6 * two.median / pixels), two.text(), number(two.median / plain.maps.median)),
                  ("cantle map, two ranks", number(1e6 * plain.maps.median / pixels), plain.maps.text(), "1")]
    return {
        "side": bench.side, "sample": sample, "start": start.text(1e3), "start_share": number(100 * net / plain.maps.median, 2),
        "scipy_found": f"modulus {found['modulus_MPa']:.3f} MPa (true: 2), adhesion {found['adhesion_nN']:.3f} nN, deformation {found['deformation_nm']:.2f} nm",
        "maps_table": table(("volume", "samples", "map, ms", "less start, ms", "us a pixel", "Mpixel/s", "over plain read", "less start"), rows),
        "bytes_table": table(("volume", "memcpy", "plain read", "H5Dread", "libdeflate, 1 core", "libdeflate, 2 cores"), byte_rows),
        "packed_ratio": number((packed.maps.median - net) / packed.bytes["libdeflate_2"].median),
        "scipy_table": table(("who", "us a pixel", "whole volume, s", "times cantle's"), scipy_rows)}


def machine_scaling(bench, alone, pair):
    """Curves analysed by one process, and by two at once that share nothing: what the machine itself allows."""
    words = [BUILD / "tests" / "curve_cost", 1, 40 if bench.quick else 200]
    alone.add(timed(words))
    pair.add(timed(["sh", "-c", '"$@" & "$@"; wait', "sh", *words]))


def section_scaling(bench):
    """One rank and two, on a volume large enough that the start does not count."""
    name, settings = wide_volume(bench)
    side, path = settings["columns"], bench.volume(name, **settings)
    start, took = {1: Times(), 2: Times()}, {1: Times(), 2: Times()}
    alone, pair = Times(), Times()
    bench.map_time(path)
    for r in range(bench.rounds):
        bench.say(f"one rank and two, round {r + 1} of {bench.rounds}")
        bench.load.look()
        for ranks in (1, 2):
            start[ranks].add(bench.start_time(ranks))
            took[ranks].add(bench.map_time(path, ranks))
        machine_scaling(bench, alone, pair)
    net = {n: took[n].median - start[n].median for n in took}
    bench.goal(f"strong scaling from 1 rank to 2, {side} x {side} pixels, start included", ">=", 1.8,
               took[1].median / took[2].median)
    rows = [(n, start[n].text(1e3), took[n].text(), number(1e6 * net[n] / side**2),
             number(took[1].median / took[n].median), number(net[1] / net[n])) for n in took]
    return {"wide": side, "machine_scaling": number(2 * alone.median / pair.median), "scaling_table": table(
        ("ranks", "start, ms", "map, s", "us a pixel less start", "speed-up", "speed-up less start"), rows)}


MODEL_WORDS = {"paraboloid": "paraboloid, 4 unknowns", "jkr": "JKR, 5 unknowns"}
SPACE_WORDS = {"force": "force over indentation", "deflection": "deflection over z"}


def section_fits(bench):
    bench.say("contact fits, one core")
    bench.load.look()
    cases = json_lines([BUILD / "tests" / "fit_race", 128 if bench.quick else 256, bench.rounds + 2])
    rows, minima = [], []
    by = {(c["model"], c["space"], c["noise_nm"]): c for c in cases}
    for c in cases:
        words = (MODEL_WORDS[c["model"]], SPACE_WORDS[c["space"]])
        who = [c[s] for s in ("cantle", "cminpack", "gsl")]
        if c["noise_nm"] < 0.5:
            rows.append((*words, *(f"{number(w['us'])} [{number(w['low'])}, {number(w['high'])}]" for w in who),
                         number(who[1]["us"] / who[0]["us"]), number(who[2]["us"] / who[0]["us"]), number(c["checks_us"])))
        minima.append((*words, f"{c['noise_nm']:g}", c["curves"], *(w["above"] for w in who), *(f"{w['modulus']:.0e}" for w in who)))
    quiet = {key[:2]: c for key, c in by.items() if key[2] < 0.5}
    for model, limit in (("paraboloid", 40), ("jkr", 30)):
        c = quiet[model, "force"]
        bench.goal(f"fit of force over indentation, {model}: times faster than cminpack", ">=", limit,
                   c["cminpack"]["us"] / c["cantle"]["us"])
    worst = max(c["cantle"]["modulus"] for c in quiet.values())
    bench.goals.append(("the same minimum: largest relative difference in E from the best of the three", "at most 1e-6",
                        f"{worst:.1e}", "yes" if worst <= 1e-6 and not any(c["cantle"]["above"] for c in quiet.values()) else "**no**"))
    for model in ("paraboloid", "jkr"):
        bench.goal(f"fit of deflection over z, {model}: cost over that of force over indentation", "<=", 3,
                   quiet[model, "deflection"]["cantle"]["us"] / quiet[model, "force"]["cantle"]["us"])
    return {"fits_table": table(("model", "fit", "cantle, us", "cminpack, us", "GSL, us", "cminpack / cantle", "GSL / cantle", "with all checks, us"), rows),
            "minima_table": table(("model", "fit", "noise, nm", "curves", "above: cantle", "cminpack", "GSL", "dE/E: cantle", "cminpack", "GSL"), minima)}


def section_memory(bench):
    """Peak of each rank on a volume of 20 GB that is mostly holes."""
    side, samples = (256, 5120) if bench.quick else (1024, 5120)
    small = bench.volume(f"few-{samples}", columns=8, samples=samples)
    rows, worst = [], 0
    for storage, words, counts in (("deflate", "chunks, shuffle + deflate", (1, 2, 4)), ("contiguous", "contiguous", (2,))):
        path, peaks = bench.folder / f"sparse-{storage}.h5", bench.folder / "peaks"
        run([PYTHON, HERE / "sparse_volume.py", small, path, side, side, storage])
        for ranks in counts:
            bench.say(f"memory, {words}, {ranks} ranks")
            peaks.unlink(missing_ok=True)
            program = bench.map_words(path, ranks)
            took = timed([*program[:3], PYTHON, HERE / "peak_memory.py", peaks, *program[3:]])
            each = sorted((float(line) for line in peaks.read_text().split()), reverse=True)
            worst = max(worst, each[0])
            rows.append((words, f"{side * side * samples * 4 / 1e9:.1f} GB", ranks, ", ".join(f"{m:.0f}" for m in each), number(took)))
        path.unlink()
    bench.goal("peak memory of a rank, volume of 20 GB" if not bench.quick else "peak memory of a rank (small volume: --quick)",
               "<=", 256, worst, " MiB")
    return {"memory_table": table(("volume", "samples", "ranks", "peak of each rank, MiB", "took, s"), rows)}


def tiles_of(bench, rows, columns, samples):
    """Into how many tiles the program cuts a contiguous volume of that size (its samples are a hole)."""
    small = bench.volume(f"few-{samples}", columns=8, samples=samples)
    path = bench.folder / "holes.h5"
    run([PYTHON, HERE / "sparse_volume.py", small, path, rows, columns, "contiguous"])
    line = next(line for line in run([CANTLE, "describe", path]).splitlines() if line.startswith("work"))
    path.unlink()
    return int(line.split()[1])


def tiles_table(bench):
    rows = []
    for side, samples in ((256, 512), (1024, 512), (1024, 2048)):
        tiles = tiles_of(bench, side, side, samples)
        rows.append((f"{side} x {side}, {samples} + {samples} samples", f"{side**2 * samples * 4 / 1e9:.2f} GB",
                     f"{tiles:,}", f"{tiles // 10:,}"))
    return table(("volume", "samples", "tiles", "ranks with ten tiles each"), rows)


def section_schedule(bench):
    bench.say("many ranks")
    volume = bench.volume("costs", scene="blend", columns=64 if bench.quick else 128)
    costs = bench.folder / "costs.txt"
    costs.write_text(run([BUILD / "tests" / "pixel_cost", volume]))
    each = sorted(float(x) for x in costs.read_text().split()[2:])
    latency, service = 5, 500
    cases = json_lines([BUILD / "tests" / "schedule_race", costs, latency, service])
    by = {}
    for c in cases:
        by.setdefault((c["tiles_a_rank"], c["ranks"]), {})[c["order"]] = c
    rows = [(tiles, f"{ranks:,}", *(f"{c[o][k]:.{d}f}" for o in ("random", "in order")
                                    for k, d in (("efficiency", 3), ("spread", 2), ("largest", 2))),
             f"{100 * c['random']['board_busy']:.2g} %", f"{c['random']['when_owner_must_answer']:.3f}") for (tiles, ranks), c in by.items()]
    bench.goal("share of the ideal speed at 1,024 ranks, 10 tiles a rank, tiles independent (simulated)", ">=", 0.95,
               by[10, 1024]["random"]["efficiency"])
    bench.goal("the same with the map's order, so that bad curves lie together (simulated)", ">=", 0.95,
               by[10, 1024]["in order"]["efficiency"])
    at = lambda share: number(each[int(share * (len(each) - 1))])
    first = cases[0]
    return {"schedule_table": table(("tiles a rank", "ranks", "independent: efficiency", "spread", "largest", "in order: efficiency", "spread", "largest", "counter busy", "independent, rank 0 must answer"), rows),
            "tiles_table": tiles_table(bench), "costs": f"median {at(0.5)} us, ninth decile {at(0.9)} us, 99 % {at(0.99)} us, largest {at(1)} us",
            "latency": latency, "service": service / 1e3, "tile_pixels": first["pixels_a_tile"], "tile_ms": number(first["tile_ms"])}


def section_profile(bench):
    if not shutil.which("perf"):
        return {"profile": "perf is not installed on this machine: no profile."}
    bench.say("profile")
    data = bench.folder / "perf.data"
    volume = bench.volume("contiguous", storage="contiguous")
    done = subprocess.run(["perf", "record", "-q", "-F", "2000", "-o", data, CANTLE, "map", volume, "--quiet", "--overwrite",
                           "-o", bench.folder / "maps.h5"], capture_output=True, text=True, check=False)
    if done.returncode != 0:
        return {"profile": "perf may not measure on this machine: no profile."}
    lines = run(["perf", "report", "-q", "--stdio", "--no-children", "-F", "overhead,dso,symbol", "-i", data]).splitlines()
    rows = [(words[0], words[-1].split(".avx")[0], words[1]) for words in (line.split() for line in lines if line.strip())]
    return {"profile": table(("share", "function", "where"), rows[:12])}


def page(parts, bench, took):
    template = string.Template((HERE / "performance.md.in").read_text())
    facts = {"machine_table": table(("this", "was"), bench.machine), "load": bench.load.sentence(),
             "goals_table": goals_table(bench), "rounds": bench.rounds,
             "fit_rounds": bench.rounds + 2, "took": number(took / 60, 2)}
    return template.substitute({**facts, **parts})


def short_report(parts, bench, took):
    """Tables with the template's words for them left out; for the screen."""
    blocks = [f"{name.replace('_', ' ')}:\n\n{text}" if "\n" in str(text) else f"{name.replace('_', ' ')}: {text}"
              for name, text in parts.items()]
    return "\n\n".join([*blocks, goals_table(bench), bench.load.sentence(), f"took {took:.0f} s"])


def goals_table(bench):
    return table(("what", "goal", "measured", "met"), bench.goals)


def main():
    options = argparse.ArgumentParser(prog="run.sh", description="Measure speed; see the head of run.sh.")
    options.add_argument("--quick", action="store_true", help="small and short, under a minute; prints only")
    options.add_argument("--folder", type=pathlib.Path, help="where volumes are made and stay")
    options.add_argument("--only", default=",".join(SECTIONS), help="some of: " + ", ".join(SECTIONS) + "; prints only")
    o = options.parse_args()
    chosen = o.only.split(",")
    unknown = set(chosen) - set(SECTIONS)
    if unknown:
        options.error(f"--only: unknown: {', '.join(sorted(unknown))}; expected {', '.join(SECTIONS)}")
    with contextlib.ExitStack() as stack:
        folder = o.folder or pathlib.Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="cantle-bench-")))
        folder.mkdir(parents=True, exist_ok=True)
        bench = Bench(o.quick, folder.resolve())
        bench.load.look()
        if not bench.load.quiet:
            bench.say("others keep this machine busy: the times will not be worth much")
        began, parts = time.perf_counter(), {}
        make_volumes(bench, chosen)
        for name in SECTIONS:
            if name in chosen:
                parts.update(globals()[f"section_{name}"](bench))
        took = time.perf_counter() - began
        if o.quick or set(chosen) != set(SECTIONS):
            print(short_report(parts, bench, took))
            return
        PAGE.write_text(page(parts, bench, took))
        print(goals_table(bench))
        print(bench.load.sentence())
        print(f"{PAGE} is written; it took {took / 60:.1f} minutes")


if __name__ == "__main__":
    main()
