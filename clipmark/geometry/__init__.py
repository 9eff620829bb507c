"""Pure geometry: lines, angles, edge fit, hub fit, lens model, plane. No files, no OpenCV."""
