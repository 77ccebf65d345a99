#!/bin/sh
# Compiles an invented inventory inside Spark, on two cores of this machine, and with one plain run of
# `spinney batch`, and holds the results against each other.
#
#     ./run.sh [FOLDER]
#
# FOLDER (default: a new temporary one) gets the inventory, the results and, unless Python has the
# packages already, a virtual environment with requirements.txt. Environment: PYTHON (default
# python3), SPINNEY (default: spinney on the path). Java must be there (17 or 21).
set -eu
here=$(cd "$(dirname "$0")" && pwd)
# Full paths: the work is done in another folder.
full() {
    case $1 in /*) echo "$1" ;; *) echo "$PWD/$1" ;; esac
}
work=$(full "${1:-$(mktemp -d)}")
python=$(full "$(command -v "${PYTHON:-python3}")")
spinney=$(full "$(command -v "${SPINNEY:-spinney}")")
mkdir -p "$work"

if ! "$python" -c 'import pandas, pyarrow, pyspark' 2>/dev/null; then
    "$python" -m venv "$work/venv"
    python=$work/venv/bin/python
    "$python" -m pip install --quiet --requirement "$here/requirements.txt"
fi

# Status 1 says that some stand failed: in this inventory one does.
one_fails() {
    status=0
    "$@" || status=$?
    if [ "$status" -ne 1 ]; then
        echo "exit status $status instead of 1: $*" >&2
        exit 1
    fi
}

"$python" "$here/make_inventory.py" "$work/inventory"
rm -rf "$work/plain" "$work/spark"
cd "$work/inventory"
echo "a plain run:"
one_fails "$spinney" batch design.yaml --out "$work/plain"
echo "the same inside Spark:"
export PYSPARK_PYTHON="$python" PYSPARK_DRIVER_PYTHON="$python" SPARK_LOCAL_IP=127.0.0.1
quiet="--conf spark.ui.enabled=false --conf spark.ui.showConsoleProgress=false"
export PYSPARK_SUBMIT_ARGS="--master local[2] $quiet pyspark-shell"
one_fails "$python" "$here/inventory.py" . "$work/spark" --partitions 7 --spinney "$spinney"

for name in estimates.csv summary.csv; do
    cmp "$work/plain/$name" "$work/spark/$name"
    echo "$name: the same $(wc -c <"$work/plain/$name") bytes"
done
# Lines are those of the files of each partition.
"$python" - "$work/plain/findings.csv" "$work/spark/findings.csv" <<'END'
import csv, sys
def findings(path):
    rows = csv.DictReader(open(path, newline="", encoding="utf-8"))
    return sorted(tuple(v for k, v in row.items() if k != "line") for row in rows)
plain, spark = map(findings, sys.argv[1:])
assert plain == spark, f"findings differ: {set(plain) ^ set(spark)}"
print(f"findings.csv: the same {len(plain)} findings, but for the numbers of lines")
END
