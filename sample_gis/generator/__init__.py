"""Makes one invented burial ground, its survey files and the truth behind them."""
