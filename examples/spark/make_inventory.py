"""Writes an invented inventory: 60 stands in the hills about Ferrow Vale, 8 plots each.

    python make_inventory.py FOLDER

Some stands have two strata, and in one a tree stands on a plot that is not listed. The same files
every time.
"""

import csv
import random
import sys
from pathlib import Path

SEED = 26
STANDS = 60
PLOTS = 8
WRONG = 31

DESIGN = """\
title: Ferrow Vale
inputs: { stands: stands.csv, plots: plots.csv, trees: trees.csv }
selections:
  circle: { method: fixed-area, radius_m: 7.98, min_dbh_cm: 10 }
heights: { curve: best, regional: us-coastal-northwest-1999 }
volume: { set: ca-bc-volume-2016, region: CWH }
tables: { dbh_class_cm: 10 }
"""


def main(folder):
    rand = random.Random(SEED).random
    stands, plots, trees = [], [], []
    for number in range(1, STANDS + 1):
        stand = f"FV-{number}"
        strata = ["slope", "valley floor"] if number % 4 == 0 else [""]
        for stratum in strata:
            stands.append([stand, stratum, f"{4 + 20 * rand():.1f}"])
        species = ["Fd", "Hw", "Cw"] if number % 3 else ["Hw", "Ba"]
        for plot in range(1, PLOTS + 1):
            plots.append([stand, plot, strata[plot % len(strata)]])
            for tree in range(1, 4 + int(12 * rand())):
                dbh = 10 + 45 * rand() * rand()
                height = 1.3 + (dbh / (1.7 + 0.17 * dbh)) ** 2 * (0.9 + 0.2 * rand())
                trees.append([
                    stand,
                    plot + 100 if (number, plot, tree) == (WRONG, 3, 2) else plot,
                    tree,
                    species[int(len(species) * rand() ** 1.5)],
                    f"{dbh:.1f}",
                    "dead" if rand() < 0.06 else "live",
                    f"{height:.1f}" if rand() < 0.3 else "",
                ])
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "design.yaml").write_text(DESIGN, encoding="utf-8")
    for name, head, rows in [
        ("stands.csv", ["stand", "stratum", "area_ha"], stands),
        ("plots.csv", ["stand", "plot", "stratum"], plots),
        ("trees.csv", "stand,plot,tree,species,dbh_cm,status,height_m".split(","), trees),
    ]:
        with open(folder / name, "w", newline="", encoding="utf-8") as file:
            csv.writer(file, lineterminator="\n").writerows([head] + rows)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
