"""Tests of the motion layer."""
