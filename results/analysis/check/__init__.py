"""The bench check: its rules, check coupons, damage."""
