#!/usr/bin/env python3
"""Holds declarations against the JSON Schema with an independent validator, for tests/schema.rs.

usage: schema_check.py    reads {"schema": …, "texts": [YAML, …]} on standard input; checks the schema itself against
                          its dialect and prints, for each text, true when it is valid
Needs: jsonschema pyyaml
"""
import json
import sys

import yaml
from jsonschema import Draft202012Validator


class Loader(yaml.SafeLoader):
    """YAML 1.2's plain scalars, as editors read them: only true and false are flags; no dates, no sexagesimals."""


Loader.yaml_implicit_resolvers = {
    first: [(tag, rule) for tag, rule in rules if tag not in ("tag:yaml.org,2002:bool", "tag:yaml.org,2002:timestamp")]
    for first, rules in yaml.SafeLoader.yaml_implicit_resolvers.items()
}
Loader.add_implicit_resolver("tag:yaml.org,2002:bool", __import__("re").compile("^(?:true|false)$"), list("tf"))


def plain(value):
    """JSON has only text as keys."""
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    return [plain(item) for item in value] if isinstance(value, list) else value


work = json.load(sys.stdin)
Draft202012Validator.check_schema(work["schema"])
validator = Draft202012Validator(work["schema"])
verdicts = []
for text in work["texts"]:
    errors = list(validator.iter_errors(plain(yaml.load(text, Loader))))
    for error in errors:
        print(f"{error.json_path}: {error.message[:200]}", file=sys.stderr)
    verdicts.append(not errors)
json.dump(verdicts, sys.stdout)
