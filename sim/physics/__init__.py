"""Coils as circuits: what a winding on a core does at its two terminals, healthy and faulty."""
