"""The folder or bucket in which everything is kept: tables, manifests, changes, claims."""

from miner.store.change import replacing
from miner.store.store import (
    FOLDERS,
    STAGES,
    DamagedManifest,
    Fault,
    Manifest,
    Store,
    StoreChange,
    digest_of,
    stage_before,
    tables_of,
    write_parquet,
)

__all__ = [
    "FOLDERS",
    "STAGES",
    "DamagedManifest",
    "Fault",
    "Manifest",
    "Store",
    "StoreChange",
    "digest_of",
    "replacing",
    "stage_before",
    "tables_of",
    "write_parquet",
]
