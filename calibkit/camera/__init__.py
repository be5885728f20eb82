"""A camera or a video file as a raw gaze stream: no picture is kept or sent."""
