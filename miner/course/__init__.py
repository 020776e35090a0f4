"""The course of an opening that a coach has chosen: what comes, our move, their mistakes, by lessons."""
