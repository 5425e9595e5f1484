#!/usr/bin/python3
"""What docs/cells.md and docs/lateral.md state as measured: rates of detection and false alarms, coverage of
standard errors, and what each analysis costs. Prints Markdown. Some minutes; no test.
    CANTLE=build/cantle tests/bench/cells.py [rates] [coverage] [cost]"""
import pathlib
import resource
import sys

import numpy as np

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "judge"))
import cells  # noqa: E402
import program  # noqa: E402


def interval(hits, n):
    """Share and its standard error, in per cent."""
    p = hits / n
    return f"{100 * p:.1f} +- {100 * np.sqrt(max(p * (1 - p), 1 / n) / n):.1f} %"


def rates(folder, rng):
    print("| samples | window | noise | stated false alarms a curve | measured |\n|---|---|---|---|---|")
    pixels = 3000
    for n, window, stated, walk in ((800, 16, 5, 0), (800, 16, 1, 0), (1500, 16, 5, 0), (800, 8, 5, 0), (800, 32, 5, 0),
                                    (800, 16, 5, 0.5)):
        z, go, back, _, _ = cells.tether_curves(rng, pixels, n=n, forces=(0, 1e-30), noise=0)
        noise = [cells.normal(rng, go.shape) for _ in range(2)]
        if walk:  # noise with a memory: first-order autoregressive
            for e in noise:
                for i in range(1, n):
                    e[:, i] = walk * e[:, i - 1] + np.sqrt(1 - walk**2) * e[:, i]
        cells.write(folder / "v.h5", z, go + noise[0], back + noise[1], rows=30)
        maps = program.map_volume(folder, folder / "v.h5", {
            "tethers.search": "yes", "tethers.window": window, "tethers.false_alarms": f"{stated} %"})
        count = maps["event_count"]
        print(f"| {n} | {window} | {f'memory {walk}' if walk else 'white'} | {stated} % | "
              f"{interval((count > 0).sum(), np.isfinite(count).sum())} |", flush=True)
    print("\n| step over noise of a sample | window | found | false alarms a curve |\n|---|---|---|---|")
    for ratio in (2, 2.5, 3, 4, 5, 7):
        for window in (16, 32):
            step = ratio * cells.NOISE * cells.SPRING
            z, go, back, breaks, pull = cells.tether_curves(rng, 400, forces=(step, step * 1.0001), apart=0.2e-6)
            cells.write(folder / "v.h5", z, go, back, rows=20)
            program.map_volume(folder, folder / "v.h5", {
                "tethers.search": "yes", "tethers.window": window, "tethers.false_alarms": "5 %"})
            _, _, hits, false = cells.match(folder / "maps.h5", breaks, pull)
            print(f"| {ratio} | {window} | {interval(hits, breaks.size)} | {100 * false / 400:.1f} % |", flush=True)
    print("\n| least distance of two tethers, samples | both found |\n|---|---|")
    for apart in (4, 8, 12, 16, 24, 40):
        z, go, back, breaks, pull = cells.tether_curves(rng, 300, forces=(50e-12, 50.001e-12))
        far = apart * (z[1] - z[0])
        breaks[:, 1] = breaks[:, 0] + far
        base = cells.lever_on(z, cells.hertz())
        back = np.array([base + cells.tethers.plateaus(-z, b, f, cells.SPRING) for b, f in zip(breaks, pull)])
        back += cells.normal(rng, back.shape)
        cells.write(folder / "v.h5", z, go, back, rows=20)
        maps = program.map_volume(folder, folder / "v.h5", {"tethers.search": "yes"})
        print(f"| {apart} | {interval((maps['event_count'] >= 2).sum(), 300)} |", flush=True)


def row(what, z):
    z = z[np.isfinite(z)]
    print(f"| {what} | {z.size} | {z.mean():+.3f} | {z.std():.3f} | {interval((abs(z) < 1.96).sum(), z.size)} |", flush=True)


def pulls(maps, name, truth):
    return ((maps[name] - truth) / maps[name + "_errors"]).ravel()


def coverage(folder, rng):
    print("| quantity | n | mean | sd | within 1.96 standard errors |\n|---|---|---|---|---|")
    z, go, back, breaks, pull = cells.tether_curves(rng, 1000, apart=0.15e-6)
    cells.write(folder / "v.h5", z, go, back, rows=20)
    program.map_volume(folder, folder / "v.h5", {"tethers.search": "yes", "tethers.false_alarms": "1 %"})
    force, place, _, _ = cells.match(folder / "maps.h5", breaks, pull)
    row("rupture force, 25 to 60 pN, noise 4.5 pN", force)
    row("its place", place)
    for kind, contour, unit in (("wlc", 300e-9, 0.4e-9), ("fjc", 250e-9, 0.8e-9)):
        z, go, back = cells.chain_curves(rng, 1000, kind, contour, unit)
        cells.write(folder / "v.h5", z, go, back, rows=20)
        maps = program.map_volume(folder, folder / "v.h5", {
            "tethers.search": "yes", "tethers.false_alarms": "0.1 %", "tethers.chain": kind})
        row(f"{kind}: contour length", pulls(maps, "chain_contour_length", contour))
        row(f"{kind}: persistence or Kuhn length", pulls(maps, "chain_unit_length", unit))
    z, go = cells.two_layer_curves(rng, 1500, cells.MODULUS, cells.MODULUS, 1.0)
    cells.write(folder / "v.h5", z, go, rows=20)
    program.map_volume(folder, folder / "v.h5", {"depth.windows": "8", "depth.deepest": "400 nm"})
    value, error, depth = cells.depth_maps(folder / "maps.h5")
    for j in (0, 1, 3, 5, 7):
        row(f"modulus in the window at {depth[j] * 1e9:.0f} nm", (value[:, j] - cells.MODULUS) / error[:, j])
    for length, end in ((300e-9, 0.8e-6), (600e-9, 1.0e-6), (1500e-9, 1.6e-6)):
        z, go = cells.brush_curves(rng, 600, length, z_end=end)
        cells.write(folder / "v.h5", z, go, rows=20)
        maps = program.map_volume(folder, folder / "v.h5", {"contact.model": "brush"})
        for name, truth in (("modulus", cells.MODULUS), ("brush_length", length), ("contact_point", 0.0)):
            row(f"brush of {length * 1e9:.0f} nm: {name}", pulls(maps, name, truth))
    for density in ("100 um-2", "600 um-2", "1000 um-2"):
        z, go = cells.brush_curves(rng, 40, 600e-9)
        cells.write(folder / "v.h5", z, go)
        maps = program.map_volume(folder, folder / "v.h5", {"contact.model": "brush", "sample.grafting_density": density})
        print(f"| density {density} for 300: modulus, length over truth, contact point | "
              f"{np.median(maps['modulus']) / cells.MODULUS:.3f}, {np.median(maps['brush_length']) / 600e-9:.3f}, "
              f"{np.median(maps['contact_point']) * 1e9:.0f} nm | | | |")
    scene = cells.Lateral(rng, 1500)
    scene.write(folder / "v.h5")
    for how in ("baseline", "contact", "given"):
        more = {"lateral.crosstalk": f"{scene.crosstalk} V/m"} if how == "given" else {}
        maps = program.map_volume(folder, folder / "v.h5", {"lateral.measure": "yes", "lateral.crosstalk_from": how, **more})
        for name, truth in scene.truth().items():
            if how != "given" or name != "lateral_crosstalk":
                row(f"{how}: {name}", pulls(maps, name, truth))


def spent(folder, settings):
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    program.map_volume(folder, folder / "v.h5", settings)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def cost(folder, rng):
    """CPU time, interleaved, median of five; samples of approach and retract."""
    pixels = 400
    z, go, back, _, _ = cells.tether_curves(rng, pixels)
    cells.write(folder / "v.h5", z, go, back, rows=20)
    cases = {"plain fit": {}, "depth, 8 windows": {"depth.windows": "8", "depth.deepest": "400 nm"},
             "tethers": {"tethers.search": "yes"}, "tethers and wlc": {"tethers.search": "yes", "tethers.chain": "wlc"},
             "brush": {"contact.model": "brush"}}
    times = {name: [] for name in cases}
    for _ in range(5):
        for name, settings in cases.items():
            times[name].append(spent(folder, settings))
    scene = cells.Lateral(rng, pixels, n=len(z))
    scene.write(folder / "v.h5")
    cases = {"plain fit, sharp tip": {}, "lateral": {"lateral.measure": "yes"}}
    times.update({name: [] for name in cases})
    for _ in range(5):
        for name, settings in cases.items():
            times[name].append(spent(folder, settings))
    print("| analysis | samples a second of CPU time | over the plain fit |\n|---|---|---|")
    for name, each in times.items():
        plain = np.median(times["plain fit, sharp tip" if name == "lateral" else "plain fit"])
        rate = 2 * len(z) * pixels / np.median(each)
        print(f"| {name} | {rate / 1e6:.2f} million | {np.median(each) / plain:.2f} |")


def main():
    wanted = sys.argv[1:] or ["rates", "coverage", "cost"]
    with program.Folder() as folder:
        for name in wanted:
            {"rates": rates, "coverage": coverage, "cost": cost}[name](folder, np.random.default_rng(20))
            print()


if __name__ == "__main__":
    main()
