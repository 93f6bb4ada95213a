package store

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// What is added to one by one, such as marks, is in files of lines: eight hex digits of CRC-32C, a blank, and JSON. They are only appended
// to, and written anew now and then. A line that a power cut tore does not match its checksum and is left out.

func appendLine(dst []byte, v any) ([]byte, error) {
	text, err := json.Marshal(v)
	if err != nil {
		return dst, err
	}
	dst = append(dst, checksumText(text)...)
	dst = append(dst, ' ')
	return append(append(dst, text...), '\n'), nil
}

// eachLine calls f for the JSON of every whole line, and damaged, in their order, with the number of every line that had been
// written and is not whole any more, from 1 on. A line that a power cut tore was never said to be stored, and is none: nothing
// is behind it, or at once the next one, while behind a line that was written is an empty one. A file that does not exist has
// no lines.
func eachLine(path string, f func(text []byte), damaged func(number int)) error {
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	number, begun := 0, false // begun: addLine may have begun this line
	var torn []int            // lines that it may have begun and not finished
	flush := func() {
		for _, n := range torn {
			damaged(n)
		}
		torn = nil
	}
	for line := range bytes.Lines(b) {
		number++
		line, ended := bytes.CutSuffix(line, []byte("\n"))
		switch {
		case len(line) == 0:
			flush()
			begun = true
			continue
		case len(line) >= 10 && line[8] == ' ' && bytes.Equal(line[:8], checksumText(line[9:])):
			torn = nil
			f(line[9:])
		case !begun && torn == nil:
			damaged(number)
		case !ended:
			torn = nil
		default:
			torn = append(torn, number)
		}
		begun = false
	}
	flush()
	return nil
}

// addLine appends a line to a file; durable says that it must be on the medium when this returns.
func addLine(path string, v any, durable bool) error {
	line, err := appendLine([]byte{'\n'}, v) // the line before may have been torn
	if err != nil {
		return err
	}
	f, err := openOrMake(path, os.O_WRONLY|os.O_APPEND, 0o644)
	if err != nil {
		return err
	}
	_, err = f.Write(line)
	if err == nil && durable {
		err = f.Sync()
	}
	if err := errors.Join(err, f.Close()); err != nil {
		return err
	}
	if durable {
		return syncDir(filepath.Dir(path))
	}
	return nil
}

// replaceFile writes a file anew, whole or not at all.
func replaceFile(path string, content []byte) error {
	f, err := makeFile(path + newSuffix)
	if err != nil {
		return err
	}
	_, err = f.Write(content)
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(path+newSuffix, path)
	}
	if err != nil {
		_ = os.Remove(path + newSuffix)
		return fmt.Errorf("write %s: %w", filepath.Base(path), err)
	}
	return nil
}
