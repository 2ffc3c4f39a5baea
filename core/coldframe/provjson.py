"""Ancestry as PROV-JSON, for programs that know nothing of Coldframe.

The PROV-JSON Serialization, W3C Member Submission 24 April 2013; the terms are those of PROV-DM,
W3C Recommendation 30 April 2013. Frames and products are entities, each taking of a step an
activity, steps and Coldframe software agents.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from coldframe.frame import Ancestor
from coldframe.provenance import Lineage, is_source, params_of

NAMESPACE = "https://coldframe.example/prov#"
"""Under a name reserved for examples (RFC 2606): the terms are Coldframe's own, no page tells
of them."""

_SOFTWARE = {"$": "prov:SoftwareAgent", "type": "prov:QUALIFIED_NAME"}


def prov_json(lineage: Lineage) -> dict[str, Any]:
    """The whole lineage as a PROV-JSON document."""
    entities: dict[str, Any] = {}
    activities: dict[str, Any] = {}
    made: dict[str, Any] = {}
    used: dict[str, Any] = {}
    derived: dict[str, Any] = {}
    agents: dict[str, Any] = {"cf:coldframe": _coldframe(lineage.run)}
    associated: dict[str, Any] = {}
    behalf: dict[str, Any] = {}
    for key, node in lineage.nodes.items():
        entities[_entity(key)] = _facts(node, lineage)
        if is_source(node) or not node.step:
            continue
        step, _, rest = node.step.partition(" ")
        version, _, part = rest.partition(" ")
        activity, agent = f"cf:a-{key}", f"cf:step-{step}-{version}"
        activities[activity] = {
            "prov:label": node.step,
            "cf:step": step,
            "cf:version": version,
            "cf:params": node.params,
            **({"cf:part": part} if part else {}),
        }
        if agent not in agents:
            agents[agent] = {
                "prov:type": _SOFTWARE,
                "prov:label": f"the step {step}, version {version}",
            }
            behalf[f"_:b-{step}-{version}"] = {
                "prov:delegate": agent,
                "prov:responsible": "cf:coldframe",
            }
        made[f"_:g-{key}"] = {"prov:entity": _entity(key), "prov:activity": activity}
        associated[f"_:w-{key}"] = {"prov:activity": activity, "prov:agent": agent}
        for source in node.inputs:
            if source not in lineage.nodes:
                continue
            used[f"_:u-{key}-{source}"] = {
                "prov:activity": activity,
                "prov:entity": _entity(source),
            }
            derived[f"_:d-{key}-{source}"] = {
                "prov:generatedEntity": _entity(key),
                "prov:usedEntity": _entity(source),
                "prov:activity": activity,
            }
    return {
        "prefix": {"cf": NAMESPACE},
        "entity": entities,
        "activity": activities,
        "agent": agents,
        "wasGeneratedBy": made,
        "used": used,
        "wasDerivedFrom": derived,
        "wasAssociatedWith": associated,
        "actedOnBehalfOf": behalf,
    }


def _entity(key: str) -> str:
    return f"cf:e-{key}"


def _coldframe(run: Mapping[str, Any]) -> dict[str, Any]:
    versions = {f"cf:version-{name}": found for name, found in run.get("versions", {}).items()}
    return {"prov:type": _SOFTWARE, "prov:label": "Coldframe", **versions}


def _facts(node: Ancestor, lineage: Lineage) -> dict[str, Any]:
    out: dict[str, Any] = {"cf:key": node.key}
    if node.label:
        out["prov:label"] = node.label
    if is_source(node):
        for name, value in params_of(node).items():
            # PROV-JSON has one value or an array of values for each attribute.
            plain = isinstance(value, str | int | float | bool)
            out[f"cf:{name}"] = value if plain else ", ".join(map(str, value))
    ref = lineage.refs.get(node.key)
    if ref is not None:
        out |= {f"cf:measure-{name}": number for name, number in ref.measures.items()}
    if node.key == lineage.product and lineage.file is not None:
        out["cf:file"] = lineage.file.name
    return out
