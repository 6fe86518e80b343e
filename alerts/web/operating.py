"""What machines ask of a web process: does it live, can it work, how does the service do."""

from __future__ import annotations

from hmac import compare_digest

from fastapi import FastAPI, HTTPException, Request
from prometheus_client import CollectorRegistry
from prometheus_client.exposition import choose_encoder
from starlette.responses import JSONResponse, Response

from alerts.bootstrap import Parts
from alerts.services.operating.figures import take_figures
from alerts.services.operating.readiness import obstacle
from alerts.web.metrics import ServiceCollector


def add_routes(app: FastAPI, parts: Parts, registry: CollectorRegistry) -> None:
    registry.register(ServiceCollector(lambda: take_figures(parts.sessions, parts.clock())))
    secret = parts.settings.metrics_token.get_secret_value()

    @app.get("/healthz")
    def healthz() -> dict[str, str]:
        """The process lives; it is not asked whether it can do anything."""
        return {"status": "ok"}

    @app.get("/readyz")
    def readyz() -> Response:
        """200 where the database answers and has the tables of this program, 503 where not."""
        reason = obstacle(parts.sessions)
        if reason:
            return JSONResponse({"status": "not ready", "reason": reason}, status_code=503)
        return JSONResponse({"status": "ready"})

    @app.get("/metrics")
    def metrics(request: Request) -> Response:
        """For whoever holds CUTCALL_METRICS_TOKEN; without one there is no such page."""
        given = request.headers.get("Authorization", "").removeprefix("Bearer ")
        if not secret:
            raise HTTPException(404)
        if not compare_digest(given.encode(), secret.encode()):
            return Response(status_code=401, headers={"WWW-Authenticate": "Bearer"})
        encode, content_type = choose_encoder(request.headers.get("Accept", ""))
        return Response(encode(registry), media_type=content_type)
