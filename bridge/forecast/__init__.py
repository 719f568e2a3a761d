"""What a station learns of its purifier and its water use, and how long both last."""
