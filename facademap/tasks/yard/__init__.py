"""The inventory of salvaged stone: blocks, faces, sizes, looks, remainders."""
