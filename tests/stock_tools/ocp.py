"""Reads the OCP lines of standard input into the object models of the specification's published package (PyPI: ocptv).

Every key must be one that the model names, every field without a default must be there, every value of the model's type.
"""
import dataclasses as dc
import enum
import json
import sys
import typing as ty

import ocptv.output.objects as spec


def fail(where, what):
    sys.exit(f"{where}: {what}")


def fields(model):
    """Key in the JSON -> (type, required)."""
    hints = ty.get_type_hints(model)
    out = {}
    for f in dc.fields(model):
        hint = hints[f.name]
        # lists may be left out: the published JSON schemas require none
        optional = type(None) in ty.get_args(hint) or ty.get_origin(hint) is list
        required = f.default is dc.MISSING and f.default_factory is dc.MISSING and not optional
        name = f.metadata.get("spec_field") or getattr(hint, "SPEC_OBJECT", None)
        if name:
            out[name] = (hint, required)
        else:
            # a choice of objects: each member under its own name, one of them present
            for member in ty.get_args(hint):
                if member is not type(None):
                    out[member.SPEC_OBJECT] = (member, False)
    return out


def check(value, hint, where):
    origin, args = ty.get_origin(hint), ty.get_args(hint)
    # references are written as ids
    if where.endswith(("Id", "Ids")) and "InfoId" in where.rsplit(".", 1)[-1]:
        ids = value if where.endswith("Ids") else [value]
        if not isinstance(ids, list) or not all(isinstance(i, str) for i in ids):
            fail(where, "not an id")
        return
    if origin is ty.Union:
        if value is None:
            fail(where, "null where the key is to be left out")
        rest = [a for a in args if a is not type(None)]
        objects = [a for a in rest if dc.is_dataclass(a)]
        if len(rest) == 1:
            check(value, rest[0], where)
        elif objects:
            fail(where, "a choice that this reader does not know")
        elif not any(plain(value, a) for a in rest):
            fail(where, f"{value!r} is none of {rest}")
    elif origin is list:
        if not isinstance(value, list):
            fail(where, "not a list")
        for i, v in enumerate(value):
            check(v, args[0] if args else ty.Any, f"{where}[{i}]")
    elif dc.is_dataclass(hint):
        if not isinstance(value, dict):
            fail(where, "not an object")
        known = fields(hint)
        for key, v in value.items():
            if key not in known:
                fail(where, f"unknown key {key}; known: {sorted(known)}")
            check(v, known[key][0], f"{where}.{key}")
        for key, (_, required) in known.items():
            if required and key not in value:
                fail(where, f"no {key}")
    elif isinstance(hint, type) and issubclass(hint, enum.Enum):
        if value not in [m.value for m in hint]:
            fail(where, f"{value!r} is no {hint.__name__}")
    elif not plain(value, hint):
        fail(where, f"{value!r} is no {hint}")


def plain(value, hint):
    if hint is ty.Any:
        return True
    base = ty.get_origin(hint) or hint
    if base is float:
        return isinstance(value, (int, float)) and not isinstance(value, bool)
    if base is int:
        return isinstance(value, int) and not isinstance(value, bool)
    if isinstance(base, type) and issubclass(base, dict):
        return isinstance(value, dict)
    return isinstance(value, base) if isinstance(base, type) else True


lines = [json.loads(line) for line in sys.stdin]
for n, line in enumerate(lines):
    where = f"line {n + 1}"
    if line.pop("sequenceNumber") != n or not line.pop("timestamp").endswith("Z"):
        fail(where, "numbering or time")
    (key, value), = line.items()
    model = {m.SPEC_OBJECT: m for m in (spec.SchemaVersion, spec.RunArtifact, spec.StepArtifact)}.get(key)
    if model is None:
        fail(where, f"unknown artifact {key}")
    if key != "schemaVersion" and sum(k != "testStepId" for k in value) != 1:
        fail(where, "not exactly one artifact")
    check(value, model, f"{where} {key}")
if not lines:
    fail("input", "empty")
print(f"{len(lines)} OCP lines are of the published objects")
