package store

// SetInitialMap makes the first map of files opened from now on so small that it grows while a test records.
func SetInitialMap(bytes int) { initialMap = bytes }
