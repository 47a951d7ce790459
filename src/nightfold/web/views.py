"""Pixels for the page: small pictures of subs, tiles of masters, layers of the picture."""

from __future__ import annotations

from fastapi import APIRouter

router = APIRouter(prefix="/api")
