"""Compiles an inventory of many stands on the machines of a Spark cluster.

    spark-submit inventory.py FOLDER OUT [--partitions N] [--spinney PATH]

FOLDER holds `design.yaml` and the files that it names: `plots.csv`, `trees.csv` and, if there,
`stands.csv` and `counts.csv`, each with a column `stand`. The rows of a stand go to one partition,
which compiles its stands with `spinney batch` and sends back the journal of the run; `spinney
merge` makes of all journals what one run over the whole inventory makes.
"""

import argparse
import csv
import subprocess
import tempfile
from pathlib import Path

import pyarrow
from pyspark.sql import SparkSession, functions as f

FILES = ["stands.csv", "plots.csv", "trees.csv", "counts.csv"]


def read(spark, path):
    """A record file as columns of text. A row of another length than the head stops the job."""
    return spark.read.csv(
        str(path), header=True, inferSchema=False, encoding="UTF-8", escape='"', mode="FAILFAST"
    )


def rows(frame, name):
    """The rows of a file in a shape that is the same for all files: the stand, the file, the place
    of the row in the file, the fields."""
    fields = [f.coalesce(f.col(f"`{column}`"), f.lit("")) for column in frame.columns]
    return frame.select(
        f.coalesce(f.col("stand"), f.lit("")).alias("stand"),
        f.lit(name).alias("file"),
        f.col("_metadata.file_block_start").alias("block"),
        f.monotonically_increasing_id().alias("place"),
        f.array(*fields).alias("fields"),
    )


def compile_partition(design, heads, spinney):
    """What a worker does with the rows of its stands."""

    def run(batches):
        with tempfile.TemporaryDirectory() as folder:
            folder = Path(folder)
            if not write(folder, batches):
                return
            folder.joinpath("design.yaml").write_text(design, encoding="utf-8")
            done = subprocess.run(
                [spinney, "batch", "design.yaml", "--out", "out", "--quiet", "--threads", "1"],
                cwd=folder,
                capture_output=True,
                text=True,
            )
            journal = folder / "out" / "batch.journal"
            # 1: some stand failed, which the journal tells.
            if done.returncode not in (0, 1) or not journal.exists():
                raise RuntimeError(f"spinney batch: exit {done.returncode}\n{done.stderr}")
            yield pyarrow.RecordBatch.from_pydict({"journal": [journal.read_bytes()]})

    def write(folder, batches):
        """Writes the record files of the partition; are there any rows?"""
        writers, any_rows = {}, False
        files = {name: open(folder / name, "w", newline="", encoding="utf-8") for name in heads}
        for name, head in heads.items():
            writers[name] = csv.writer(files[name], lineterminator="\n")
            writers[name].writerow(head)
        for batch in batches:
            any_rows = any_rows or batch.num_rows > 0
            for name, fields in zip(batch["file"].to_pylist(), batch["fields"].to_pylist()):
                writers[name].writerow(fields)
        for file in files.values():
            file.close()
        return any_rows

    return run


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--partitions", type=int, default=8)
    parser.add_argument("--spinney", default="spinney", help="the program, on every worker")
    arguments = parser.parse_args()

    spark = SparkSession.builder.appName("inventory").getOrCreate()
    heads, whole = {}, None
    for name in FILES:
        path = arguments.folder / name
        if path.exists():
            frame = read(spark, path)
            heads[name] = frame.columns
            part = rows(frame, name)
            whole = part if whole is None else whole.union(part)
    design = (arguments.folder / "design.yaml").read_text(encoding="utf-8")
    journals = (
        whole.repartition(arguments.partitions, "stand")
        .sortWithinPartitions("file", "block", "place")
        .select("file", "fields")
        .mapInArrow(compile_partition(design, heads, arguments.spinney), "journal binary")
        .persist()
    )
    # All partitions side by side; then their journals come over one at a time.
    journals.count()
    with tempfile.TemporaryDirectory() as parts:
        folders = []
        for number, row in enumerate(journals.toLocalIterator()):
            folder = Path(parts) / f"{number:05}"
            folder.mkdir()
            folder.joinpath("batch.journal").write_bytes(row.journal)
            folders.append(folder)
        spark.stop()
        print(f"{len(folders)} journals from {arguments.partitions} partitions", flush=True)
        command = [arguments.spinney, "merge", *folders, "--out", arguments.out]
        raise SystemExit(subprocess.run(command).returncode)


if __name__ == "__main__":
    main()
