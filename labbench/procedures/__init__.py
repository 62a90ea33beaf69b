"""Measure: plain functions that take an open bench and give measurements, nothing else."""
