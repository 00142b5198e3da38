"""Figures and the pages made of them. A figure function takes a table and returns a figure."""
