"""Tests of the site layer."""
