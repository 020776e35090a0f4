"""What a store holds, as plain values."""

from __future__ import annotations

from typing import Any

from miner.store.store import STAGES, Manifest, Store


def state_of(store: Store) -> dict[str, Any]:
    """What a store holds and what of it is out of date, as JSON takes it.

    `stages` has all stages; null: not done yet. Of a stage: `rows` of its tables, `facts` that it tells,
    `settings`, `is_out_of_date`, and `missing_files`. `out_of_date` is the first stage that is, or null.
    Raises StoreError as `Store.manifest` does.
    """
    stale = store.out_of_date()
    since = STAGES.index(stale) if stale else len(STAGES)
    stages = {
        stage: _state_of(store, manifest, place >= since) if (manifest := store.manifest(stage)) else None
        for place, stage in enumerate(STAGES)
    }
    return {"store": str(store.root), "out_of_date": stale, "stages": stages}


def _state_of(store: Store, manifest: Manifest, is_out_of_date: bool) -> dict[str, Any]:
    told: dict[str, Any] = {
        "rows": manifest.rows,
        "facts": {name: fact for name, fact in manifest.facts.items() if name not in _OUR_OWN},
        "settings": manifest.settings,
        "is_out_of_date": is_out_of_date,
        "missing_files": store.missing_files(manifest),
    }
    if manifest.stage == "read":
        told["sources"] = [
            {name: source[name] for name in ("name", "size_bytes")} for source in manifest.inputs["sources"]
        ]
    if "engine" in manifest.inputs:
        told["engine"] = manifest.inputs["engine"]["name"]
    return told


_OUR_OWN = ("sources", "contents", "salt_check")
"""Facts by which a store knows its files again, and of no use to anybody else."""
