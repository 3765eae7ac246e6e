"""Files and replies of strangers, made wrong at random: each is accepted or refused in one clean line, and soon."""
