"""Wear histories, forecasts and monthly packs from repeated diesel fuel-system tests."""

__version__ = "0.1.0"
