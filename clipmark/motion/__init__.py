"""Following motion: body patch, camera shake, speed and smoothness."""
