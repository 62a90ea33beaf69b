"""Command profiles: how each kind of instrument is spoken to.

A profile maps headers to the settings and readings of a behaviour and knows no physics.
"""
