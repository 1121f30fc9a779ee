"""The API's description: OpenAPI as JSON for programs, the same as one page for people."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.plumbing import sanitize_result_object

METHODS = ("get", "put", "post", "patch", "delete")


@dataclass(frozen=True)
class Operation:
    """One method on one path, as the page shows it."""

    method: str
    path: str
    anchor: str
    summary: str
    description: str
    parameters: list[dict[str, Any]]
    body: list[dict[str, str]]
    answers: list[tuple[str, str]]


def built() -> dict[str, Any]:
    """The whole OpenAPI document, whoever asks: a description holds no record."""
    return sanitize_result_object(SchemaGenerator().get_schema(request=None, public=True))


@require_safe
def document(request: HttpRequest) -> JsonResponse:
    return JsonResponse(built(), json_dumps_params={"indent": 1})


@require_safe
def page(request: HttpRequest) -> HttpResponse:
    return render(request, "deploy/api.html", {"operations": operations(built())})


def operations(schema: dict[str, Any]) -> list[Operation]:
    """Every operation of an OpenAPI document, by path and then by method."""
    return [
        _operation(schema, path, method, item[method])
        for path, item in sorted(schema["paths"].items())
        for method in METHODS
        if method in item
    ]


def _operation(schema: dict[str, Any], path: str, method: str, said: dict[str, Any]) -> Operation:
    summary, _sep, rest = said.get("description", "").partition("\n")
    return Operation(
        method=method.upper(),
        path=path,
        anchor=said["operationId"],
        summary=said.get("summary") or summary,
        description=rest.strip(),
        parameters=[
            {
                "name": parameter["name"],
                "where": parameter["in"],
                "needed": parameter.get("required", False),
                "description": parameter.get("description", ""),
            }
            for parameter in said.get("parameters", [])
        ],
        body=_fields(schema, said.get("requestBody", {})),
        answers=[
            (status, answer.get("description", "")) for status, answer in said["responses"].items()
        ],
    )


def _fields(schema: dict[str, Any], body: dict[str, Any]) -> list[dict[str, str]]:
    """The fields of a request's JSON body: name, type, description, whether it is needed."""
    content = body.get("content", {}).get("application/json", {}).get("schema", {})
    shape = _followed(schema, content)
    needed = shape.get("required", [])
    return [
        {
            "name": name,
            "kind": _kind(schema, field),
            "needed": _("needed") if name in needed else "",
            "description": field.get("description", ""),
        }
        for name, field in shape.get("properties", {}).items()
    ]


def _followed(schema: dict[str, Any], part: dict[str, Any]) -> dict[str, Any]:
    while "$ref" in part or len(part.get("allOf", [])) == 1:
        if "allOf" in part:
            part = part["allOf"][0]
        else:
            part = schema["components"]["schemas"][part["$ref"].rsplit("/", 1)[1]]
    return part


def _kind(schema: dict[str, Any], field: dict[str, Any]) -> str:
    shape = _followed(schema, field)
    if choices := shape.get("enum"):
        return " | ".join(str(choice) for choice in choices)
    if shape.get("type") == "array":
        return _("list of %(kind)s") % {"kind": _kind(schema, shape.get("items", {}))}
    return str(shape.get("format") or shape.get("type") or _("any"))
