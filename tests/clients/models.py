"""Reads every example of openapi.json with the pydantic models that datamodel-code-generator makes, and writes it again."""

import json
import pathlib

import outshop_models
from pydantic import TypeAdapter

DOCUMENT = json.loads((pathlib.Path(__file__).parent / "../../openapi/outshop.json").read_text())
read = 0
for name, schema in DOCUMENT["components"]["schemas"].items():
    model = TypeAdapter(getattr(outshop_models, name))
    for example in [schema["example"]] if "example" in schema else schema.get("examples", []):
        value = model.validate_json(json.dumps(example))
        again = model.validate_json(model.dump_json(value, by_alias=True))
        assert again == value, name
        read += 1
print(f"pydantic: {read} examples read and written")
