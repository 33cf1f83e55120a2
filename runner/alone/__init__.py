"""May this bench be left alone: the drill that proves it, and who asks for the proof."""
