"""What liquids do: composition, dilution, freezing and salting-out points. Start with liquid.py."""
