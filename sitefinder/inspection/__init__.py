"""What files of the user hold, as found before any run, and settings drafted from them."""
