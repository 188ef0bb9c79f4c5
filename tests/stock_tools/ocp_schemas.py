"""Validates the OCP lines of standard input by the published JSON schemas (opencomputeproject/ocp-diag-core, MIT) in the directory named."""

import json
import pathlib
import sys

from jsonschema import Draft202012Validator
from referencing import Registry, Resource

schemas = [json.loads(p.read_text()) for p in sorted(pathlib.Path(sys.argv[1]).glob("*.json"))]
registry = Registry().with_resources((s["$id"], Resource.from_contents(s)) for s in schemas)
root = next(s for s in schemas if s["$id"].endswith("/output"))
validator = Draft202012Validator(root, registry=registry, format_checker=Draft202012Validator.FORMAT_CHECKER)

lines = [json.loads(line) for line in sys.stdin]
for n, line in enumerate(lines):
    for error in validator.iter_errors(line):
        deepest = min(error.context, key=lambda e: -len(e.path), default=error)
        sys.exit(f"line {n + 1}: {'/'.join(map(str, deepest.path))}: {deepest.message[:300]}")
if not lines:
    sys.exit("no lines")
print(f"{len(lines)} OCP lines are valid by the published schemas")
