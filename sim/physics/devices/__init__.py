"""Power switches and loads: what they conduct, how they fail, and how a factory scatters them."""
