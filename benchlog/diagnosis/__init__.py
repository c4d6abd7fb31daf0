"""Why a channel jitters, creeps or hits its end stop; pure."""
