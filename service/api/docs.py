"""GET /docs: our own roads as a page to read and try, from files inside an installed package.

Nothing is loaded from another host, and the page's policy lets the browser load nothing else.
"""

from functools import cache
from importlib.resources import files
from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from service.api.outcomes import refusal

_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_PAGE: Final = b"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<title>Home airway-clearance programmes: the HTTP roads</title>
<link rel="stylesheet" href="/docs/swagger-ui.css">
</head>
<body>
<p>FHIR R4 is at <a href="/fhir/metadata">/fhir</a> and describes itself there.</p>
<div id="roads"></div>
<script src="/docs/swagger-ui-bundle.js"></script>
<script src="/docs/start.js"></script>
</body>
</html>
"""
_START: Final = b"""SwaggerUIBundle({
  url: "/openapi.json",
  dom_id: "#roads",
  validatorUrl: null,
  deepLinking: false,
});
"""
_SHIPPED: Final = {"swagger-ui.css": "text/css", "swagger-ui-bundle.js": "text/javascript"}


async def page(_: Request) -> Response:
    """The page itself."""
    return _answer(_PAGE, "text/html")


async def part(request: Request) -> Response:
    """What the page loads. Raises 404 for anything else."""
    name = request.path_params["name"]
    if name == "start.js":
        return _answer(_START, "text/javascript")
    if name not in _SHIPPED:
        raise refusal(404, "There is nothing at this address.")
    return _answer(_shipped(name), _SHIPPED[name])


ROUTES = [Route("/docs", page), Route("/docs/{name}", part)]


def _answer(body: bytes, media_type: str) -> Response:
    headers = {
        "Content-Security-Policy": _POLICY,
        "X-Content-Type-Options": "nosniff",
        "Referrer-Policy": "no-referrer",
    }
    return Response(body, headers=headers, media_type=media_type)


@cache
def _shipped(name: str) -> bytes:
    versions = files("swagger_ui_bundle") / "vendor"
    (newest,) = [one for one in versions.iterdir() if one.is_dir()]
    return (newest / name).read_bytes()
