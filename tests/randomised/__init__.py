"""Motorcycles, circuits, roads and outings drawn at random, and other simulated input that only tests need."""
