"""Answers as drawings: plan views in true proportion, as SVG, PNG and PDF."""
