"""canalwise: from a dental practice's exports to figures on chair time, instruments, separations and healing."""
