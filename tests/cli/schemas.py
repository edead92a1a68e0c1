"""Validates a document against the schema file that its "schema" key names."""
import json
import os

import jsonschema

FOLDER = os.path.join(os.path.dirname(os.path.abspath(__file__)), "../../src/report/schema")


def strict(text):
    """Parses JSON as a standard reader does: no NaN, no key twice."""

    def no_constant(name):
        raise ValueError(f"{name} is not JSON")

    def once(pairs):
        keys = [k for k, _ in pairs]
        if len(keys) != len(set(keys)):
            raise ValueError(f"a key twice: {sorted(k for k in set(keys) if keys.count(k) > 1)}")
        return dict(pairs)

    return json.loads(text, parse_constant=no_constant, object_pairs_hook=once)


def schema_of(name):
    with open(os.path.join(FOLDER, name + ".schema.json")) as f:
        schema = json.load(f)
    jsonschema.Draft7Validator.check_schema(schema)
    return schema


def known_values(validator, values, instance, schema):
    """Lists of words may grow, so readers ignore this keyword; our own output must keep to it."""
    if instance not in values:
        yield jsonschema.ValidationError(f"{instance!r} is none of {values}")


Validator = jsonschema.validators.extend(jsonschema.Draft7Validator,
                                         {"x-known-values": known_values})


def validator_of(name):
    schema, common = schema_of(name), schema_of("common")
    resolver = jsonschema.RefResolver("", schema, store={"common.schema.json": common})
    return Validator(schema, resolver=resolver)


def faults(document):
    """What is wrong with a parsed document, as lines; empty when nothing is."""
    name = str(document.get("schema", "")) if isinstance(document, dict) else ""
    parts = name.split("/")
    if len(parts) != 3 or parts[0] != "stillmount" or parts[2] != "1":
        return [f"schema is '{name}', expected stillmount/NAME/1"]
    try:
        validator = validator_of(parts[1])
    except FileNotFoundError:
        return [f"there is no schema file for {name}"]
    errors = validator.iter_errors(document)
    return [f"{'/'.join(map(str, e.absolute_path)) or 'document'}: {e.message[:300]}"
            for e in list(errors)[:20]]
