"""Drawn sections of weld coupons, and the program that draws them."""
