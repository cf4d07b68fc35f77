package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"

	"github.com/BurntSushi/toml"
)

// tomlFiles lists the TOML files of a ledger, with their size in bytes.
func tomlFiles(dir string) (names []string, size int64, err error) {
	err = filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && d.Name() == ".git":
			return filepath.SkipDir
		case strings.HasSuffix(p, ".toml"):
			info, err := d.Info()
			if err != nil {
				return err
			}
			names, size = append(names, p), size+info.Size()
		}
		return nil
	})
	return names, size, err
}

// decodeAll reads and decodes all files with the library alone, into plain
// tables, on all processors.
func decodeAll(dir string) error {
	names, _, err := tomlFiles(dir)
	if err != nil {
		return err
	}
	var w sync.WaitGroup
	next := make(chan string)
	failed := make(chan error, len(names))
	for range runtime.GOMAXPROCS(0) {
		w.Go(func() {
			for name := range next {
				data, err := os.ReadFile(name)
				if err == nil {
					var table map[string]any
					err = toml.Unmarshal(data, &table)
				}
				if err != nil {
					failed <- err
				}
			}
		})
	}
	for _, name := range names {
		next <- name
	}
	close(next)
	w.Wait()
	close(failed)
	return <-failed
}
