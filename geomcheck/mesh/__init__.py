"""What a part is: read, judged, placed."""
