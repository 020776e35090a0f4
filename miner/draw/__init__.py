"""What pages and sheets draw with: boards, and the typesetter."""
