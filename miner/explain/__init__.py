"""Why a reply loses: pure functions on a board and a line."""
