package store

// SetInitialMap makes the first map of files opened from now on so small that it grows while a test records.
func SetInitialMap(bytes int) { initialMap = bytes }

// SetMaxSize limits the file that is being recorded into, 0 no longer: bbolt answers that like a full disk.
func (s *Session) SetMaxSize(bytes int) { s.file().MaxSize = bytes }
