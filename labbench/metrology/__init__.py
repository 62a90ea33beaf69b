"""Turn readings into values with uncertainty: accuracy, compensation, budgets, temperature.

The engine is GTC; it is imported where the first estimate is made and nowhere at import time.
"""
