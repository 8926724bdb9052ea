"""A million notes read on one core: `python tests/bench/letters.py --notes 1000000`.

The notes are put together from sentence parts, a day and a number in most, so that at least half of all sentences
are distinct. Prints seconds, notes, distinct sentences and the highest memory of the process.
"""

from __future__ import annotations

import argparse
import os
import resource
import time

import numpy as np
import pyarrow as pa

JOINTS = (
    "right knee",
    "left knee",
    "kneecap",
    "left collar bone",
    "Rt shoulder",
    "L elbow",
    "shoulder",
    "clavicle",
)
FINDINGS = (
    "no sign of infection",
    "remains stiff and cannot straighten it",
    "wound well healed, no discharge",
    "plate is prominent under the rucksack strap",
    "gave way twice on the stairs",
    "flexion 85 degrees passive",
    "numb patch over the lateral scar",
    "fracture through the lower tunnel, plated yesterday",
    "moving freely with full range",
    "screws in good position, osteotomy united",
    "? early stiffness, review",
    "DVT excluded on duplex",
    "superficial infection treated with flucloxacillin",
    "dislocated again playing football and reduced in A&E",
    "listed for manipulation under anaesthesia",
)
PEOPLE = ("physio", "registrar", "GP", "nurse on the phone", "consultant", "radiologist")
TAILS = (
    "If it dislocates again he will come back.",
    "Risks of infection, stiffness and fracture explained.",
    "Plan: continue exercises.",
    "His father had a hip fracture last winter.",
    "Complications: nil.",
    "To return to work next month.",
)


def notes(count: int, seed: int = 7) -> pa.Array:
    """`count` invented notes of two to four sentences; the first sentence of each is nearly always its own."""
    draw = np.random.default_rng(seed)
    day, month, year, number = (
        draw.integers(low, high, count) for low, high in ((1, 29), (1, 13), (2021, 2027), (1, 900))
    )
    pick = {
        name: draw.integers(0, len(parts), count)
        for name, parts in (
            ("joint", JOINTS),
            ("one", FINDINGS),
            ("two", FINDINGS),
            ("who", PEOPLE),
            ("tail", TAILS),
        )
    }
    second = draw.integers(0, 3, count)
    texts = [
        f"Seen by {PEOPLE[w]}{(f' on {d:02}/{m:02}/{y}', '')[s % 2]}, {n} days after surgery, {JOINTS[j]}: {FINDINGS[a]}. "
        + ("", f"Today {FINDINGS[b]}. ", f"{JOINTS[j].capitalize()} {FINDINGS[b]} at visit {n}.\n")[s]
        + TAILS[t]
        for d, m, y, n, j, a, b, w, t, s in zip(
            day, month, year, number, pick["joint"], pick["one"], pick["two"], pick["who"], pick["tail"], second,
            strict=True,
        )
    ]  # fmt: skip
    return pa.array(texts, pa.large_string())


def main() -> None:
    """Read the notes and print what it took."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--notes", type=int, default=1_000_000)
    count = parser.parse_args().notes
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    pa.set_cpu_count(1)
    from pipeline.catalogue import load_catalogue
    from pipeline.letters import read

    texts, catalogue = notes(count), load_catalogue()
    before, began, cpu = (
        resource.getrusage(resource.RUSAGE_SELF).ru_maxrss,
        time.perf_counter(),
        time.process_time(),
    )
    reading = read(texts, catalogue, catalogue.places)
    took, worked = time.perf_counter() - began, time.process_time() - cpu
    sentences = len({piece for text in texts.to_pylist() for piece in text.replace("\n", " ").split(". ")})
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(f"{count} notes, about {sentences} distinct sentences, {len(reading.statements)} statements")
    print(
        f"{took:.1f} s on one core ({worked:.1f} s of its time); {memory / 1e6:.2f} GB at most, {before / 1e6:.2f} before"
    )


if __name__ == "__main__":
    main()
