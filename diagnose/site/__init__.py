"""The site: its places, how they lie to each other, and what the install record says of them."""
