"""PROV-JSON against the W3C Member Submission of 24 April 2013, and a reader of another house.

The relations' required attributes are those of its section 3 and of PROV-DM (W3C Recommendation
30 April 2013), section 5; from memory. The reader is the PyPI package `prov`.
"""

import json

import jsonschema
import pytest
from prov.model import ProvAgent, ProvDerivation, ProvDocument, ProvEntity, ProvUsage

from coldframe.cli.main import run_command_line
from coldframe.provenance import explain, is_source

REQUIRED = {
    "wasGeneratedBy": ["prov:entity", "prov:activity"],
    "used": ["prov:activity", "prov:entity"],
    "wasDerivedFrom": ["prov:generatedEntity", "prov:usedEntity"],
    "wasAssociatedWith": ["prov:activity", "prov:agent"],
    "actedOnBehalfOf": ["prov:delegate", "prov:responsible"],
}
NAME = "^(cf|_):[A-Za-z][A-Za-z0-9_.-]*$"  # a qualified name in the document's one name space
VALUE = {
    "anyOf": [
        {"type": ["string", "number", "boolean"]},
        {
            "type": "object",
            "required": ["$", "type"],
            "properties": {"$": {"type": "string"}, "type": {"type": "string"}},
        },
    ]
}
ELEMENTS = {"propertyNames": {"pattern": NAME}, "additionalProperties": {
    "type": "object", "propertyNames": {"pattern": "^(cf|prov):"}, "additionalProperties": VALUE,
}}  # fmt: skip
SCHEMA = {
    "type": "object",
    "required": ["prefix", "entity", "activity", "agent", *REQUIRED],
    "properties": {
        "prefix": {"type": "object", "additionalProperties": {"type": "string", "format": "uri"}},
        **dict.fromkeys(("entity", "activity", "agent"), ELEMENTS),
        **{
            name: {
                "propertyNames": {"pattern": NAME},
                "additionalProperties": {
                    "required": required,
                    "properties": {one: {"type": "string", "pattern": NAME} for one in required},
                },
            }
            for name, required in REQUIRED.items()
        },
    },
    "additionalProperties": False,
}


@pytest.fixture(scope="module")
def written(tiny_run, tmp_path_factory):
    file = tmp_path_factory.mktemp("prov") / "out.json"
    product = next(tiny_run[1].glob("*-final.fits"))
    assert run_command_line(["explain", str(product), "--prov", str(file)]) == 0
    return explain(str(product)), json.loads(file.read_text()), file.read_text()


def test_the_form_is_that_of_the_submission(written):
    _, document, _ = written
    jsonschema.Draft202012Validator(SCHEMA).validate(document)
    known = {*document["entity"], *document["activity"], *document["agent"]}
    for relation, required in REQUIRED.items():
        for edge in document[relation].values():
            assert {edge[name] for name in required} <= known


def test_another_reader_finds_every_product_and_edge(written):
    lineage, _, text = written
    found = ProvDocument.deserialize(content=text, format="json")
    entities = {str(e.identifier): e for e in found.get_records(ProvEntity)}
    assert set(entities) == {f"cf:e-{key}" for key in lineage.nodes}
    edges = {(str(d.args[0]), str(d.args[1])) for d in found.get_records(ProvDerivation)}
    wanted = {
        (f"cf:e-{key}", f"cf:e-{source}")
        for key, node in lineage.nodes.items()
        for source in node.inputs
    }
    assert edges == wanted
    assert len(list(found.get_records(ProvUsage))) == len(wanted)
    for agent in found.get_records(ProvAgent):
        assert "prov:SoftwareAgent" in {str(kind) for kind in agent.get_asserted_types()}
    for key, node in lineage.nodes.items():
        if is_source(node):
            (digest,) = entities[f"cf:e-{key}"].get_attribute("cf:digest")
            assert len(digest) == 64


def test_it_goes_through_another_program_and_back_unchanged(written):
    _, _, text = written
    found = ProvDocument.deserialize(content=text, format="json")
    again = ProvDocument.deserialize(content=found.serialize(format="json"), format="json")
    assert again == found
    assert found.get_provn().startswith("document")
