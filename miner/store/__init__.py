"""The folder or bucket in which everything is kept: tables, manifests, changes, claims."""

from miner.store.change import replacing as replacing
from miner.store.store import FOLDERS as FOLDERS
from miner.store.store import STAGES as STAGES
from miner.store.store import TABLES_OF as TABLES_OF
from miner.store.store import DamagedManifest as DamagedManifest
from miner.store.store import Fault as Fault
from miner.store.store import Manifest as Manifest
from miner.store.store import Store as Store
from miner.store.store import StoreChange as StoreChange
from miner.store.store import check_value as check_value
from miner.store.store import digest_of as digest_of
from miner.store.store import empty_tables as empty_tables
from miner.store.store import write_parquet as write_parquet
