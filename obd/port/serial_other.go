//go:build !linux

package port

func openSerial(path string, o Options) (link, error) { return openLibrary(path, o) }
