package main

import (
	"runtime"
	"runtime/debug"
	"strings"
)

// versionWords say which build of the program this is, from what the Go command
// wrote into it: the module's version where there is one, the commit it was built
// from, and whether files had been changed since.
func versionWords(info *debug.BuildInfo) string {
	words := []string{"unknown version"}
	if info == nil {
		return words[0]
	}
	set := map[string]string{}
	for _, s := range info.Settings {
		set[s.Key] = s.Value
	}
	if v := info.Main.Version; v != "" && v != "(devel)" {
		words[0] = v
	}
	if commit := set["vcs.revision"]; commit != "" {
		if len(commit) > 12 {
			commit = commit[:12]
		}
		words = append(words, "commit "+commit)
		if day, _, ok := strings.Cut(set["vcs.time"], "T"); ok {
			words = append(words, day)
		}
		if set["vcs.modified"] == "true" {
			words = append(words, "with changes since")
		}
	}
	return strings.Join(append(words, info.GoVersion+" "+runtime.GOOS+"/"+runtime.GOARCH), ", ")
}

// buildInfo is what the Go command wrote into the program; nil where it did not.
func buildInfo() *debug.BuildInfo {
	info, _ := debug.ReadBuildInfo()
	return info
}
