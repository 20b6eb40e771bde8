"""A site with a hidden fault that answers like the real one: replay, self-play and drills."""
