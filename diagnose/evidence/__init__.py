"""Raw evidence (captures, waveforms, logs, transcripts) to readings, with where they came from."""
