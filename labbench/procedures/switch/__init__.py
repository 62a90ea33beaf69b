"""Measure power switches, power stages and the load behind them, step by step."""
