"""The practice page: one HTML file that shows a lesson and plays its loops."""
