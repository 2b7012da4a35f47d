"""The peer of reads over HTTP: a bare Starlette route that answers bytes it has in memory.

    python peer.py FILE PORT

FILE holds resources, one a line, as the service answered them. The server is set up exactly as
that of the service: its loop, its protocol, its memory.
"""

import json
import sys
from pathlib import Path

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from service.serving import server_config, settle_memory
from service.settings import Settings


def main() -> None:
    lines = Path(sys.argv[1]).read_bytes().splitlines()
    bodies = {json.loads(line)["id"]: line for line in lines}

    async def one(request: Request) -> Response:
        body = bodies[request.path_params["id"]]
        return Response(body, media_type="application/fhir+json")

    app = Starlette(routes=[Route("/fhir/Observation/{id}", one)])
    settle_memory()
    uvicorn.Server(server_config(app, Settings(port=int(sys.argv[2])))).run()


if __name__ == "__main__":
    main()
