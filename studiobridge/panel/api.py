"""What can be asked of the page by programs: the shapes, and the document that describes them."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from studiobridge import __version__
from studiobridge.control.events import Asked

NAME = r"^[a-z0-9-]{1,40}$"


class AskBody(BaseModel):
    """A request: the same as on the request channel, but who asks is the session's to say."""

    model_config = ConfigDict(extra="forbid", strict=True)

    what: Asked
    look: str | None = Field(default=None, max_length=64)
    targets: list[str] = Field(default_factory=list, max_length=200)
    why: str = Field(default="", max_length=300)
    force: bool = False
    yes: bool = False
    everything: bool = False
    step: str | None = Field(default=None, max_length=64)
    take: int | None = Field(default=None, ge=1, le=10**9)
    mark: Literal["", "good", "again"] = ""
    items: list[str] = Field(default_factory=list, max_length=200)
    for_: str | None = Field(default=None, max_length=64, alias="for")


class Answer(BaseModel):
    """An answer: `final` when no other follows; `code` as the commands end with."""

    final: bool
    code: int
    text: str


class Problem(BaseModel):
    text: str


class Look(BaseModel):
    """A look at the camera's picture: the figure as HTML, with the address of its picture."""

    html: str


class Who(BaseModel):
    """Whose session this is; `token` goes into X-Studiobridge-Token of every request."""

    name: str
    role: Literal["viewer", "operator"]
    token: str


class Health(BaseModel):
    good: bool
    broker: bool
    sets: dict[str, bool]


def openapi() -> dict[str, Any]:
    """The OpenAPI 3.1 document of the panel's API."""
    schemas: dict[str, Any] = {}
    for model in (AskBody, Answer, Problem, Look, Who, Health):
        schema = model.model_json_schema(ref_template="#/components/schemas/{model}")
        schemas.update(schema.pop("$defs", {}))
        schemas[model.__name__] = schema
    schemas["Document"] = {"type": "object"}
    schemas["Documents"] = {"type": "array", "items": {"type": "object"}}

    def body(name: str) -> dict[str, Any]:
        return {"application/json": {"schema": {"$ref": f"#/components/schemas/{name}"}}}

    def reply(what: str, name: str) -> dict[str, Any]:
        return {"description": what, "content": body(name)}

    def refusals(*codes: int) -> dict[str, Any]:
        words = {
            400: "not understood",
            401: "no session",
            403: "not for this session",
            404: "no such thing",
            409: "refused by the set",
            413: "too large",
            415: "not JSON",
            422: "bad input",
            429: "too often",
            502: "what was sent is no picture",
            503: "no broker, no bridge, or no witness",
        }
        return {str(code): reply(words[code], "Problem") for code in codes}

    name = {"type": "string", "pattern": NAME}
    of_set = {"name": "set", "in": "path", "required": True, "schema": name}
    of_device = {"name": "device", "in": "path", "required": True, "schema": name}
    token = {
        "name": "X-Studiobridge-Token",
        "in": "header",
        "required": True,
        "schema": {"type": "string", "maxLength": 100},
    }

    def get(what: str, shape: str, *parameters: dict[str, Any], codes: tuple[int, ...]) -> Any:
        return {
            "get": {
                "summary": what,
                "operationId": what.lower().replace(" ", "-").replace(",", ""),
                "parameters": list(parameters),
                "responses": {"200": reply("as it is now", shape), **refusals(*codes)},
            }
        }

    paths: dict[str, Any] = {
        "/api/session": get("Whose session this is", "Who", codes=(401,)),
        "/api/sets": get("The sets of this panel", "Document", codes=(401,)),
        "/api/sets/{set}/state": get(
            "How the set stands", "Document", of_set, codes=(401, 404, 503)
        ),
        "/api/sets/{set}/drift": get(
            "What has drifted", "Documents", of_set, codes=(401, 404, 503)
        ),
        "/api/sets/{set}/run": get("The latest run", "Document", of_set, codes=(401, 404, 503)),
        "/api/sets/{set}/devices/{device}": get(
            "One device", "Document", of_set, of_device, codes=(401, 404, 503)
        ),
        "/api/sets/{set}/sessions": get("Past sessions", "Documents", of_set, codes=(401, 404)),
        "/api/sets/{set}/ask": {
            "post": {
                "summary": "Ask for something",
                "operationId": "ask",
                "parameters": [of_set, token],
                "requestBody": {"required": True, "content": body("AskBody")},
                "responses": {
                    "200": reply("done, or taken and under way", "Answer"),
                    **refusals(400, 401, 403, 404, 409, 413, 415, 422, 429, 503),
                },
            }
        },
        "/api/sets/{set}/picture": {
            "post": {
                "summary": "Look at the camera's picture now",
                "operationId": "look",
                "parameters": [of_set, token],
                "responses": {
                    "200": reply("what is seen", "Look"),
                    **refusals(401, 403, 404, 409, 413, 429, 502, 503),
                },
            }
        },
        "/health": {
            "get": {
                "summary": "Is everything there",
                "operationId": "health",
                "security": [],
                "responses": {
                    "200": reply("all there", "Health"),
                    "503": reply("something is missing", "Health"),
                },
            }
        },
    }
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "studiobridge panel",
            "version": __version__,
            "description": "What the page uses. Not a safety device.",
        },
        "paths": paths,
        "components": {
            "schemas": schemas,
            "securitySchemes": {
                "session": {"type": "apiKey", "in": "cookie", "name": "studiobridge"}
            },
        },
        "security": [{"session": []}],
    }
