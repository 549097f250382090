"""Heat below the noise of one frame: hygiene, drift, switching times, response, live form."""
