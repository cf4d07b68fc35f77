package main

import (
	"runtime"
	"runtime/debug"
	"testing"
)

func TestVersionWords(t *testing.T) {
	end := ", go1.26.8 " + runtime.GOOS + "/" + runtime.GOARCH
	commit := debug.BuildSetting{Key: "vcs.revision", Value: "9457173a0b1c2d3e4f5061728394a5b6c7d8e9f0"}
	day := debug.BuildSetting{Key: "vcs.time", Value: "2031-03-04T09:00:00Z"}
	for _, tt := range []struct {
		name    string
		version string
		set     []debug.BuildSetting
		want    string
	}{
		{"a release", "v1.2.0", []debug.BuildSetting{commit, day}, "v1.2.0, commit 9457173a0b1c, 2031-03-04" + end},
		{"a clone with changes", "(devel)", []debug.BuildSetting{commit, day, {Key: "vcs.modified", Value: "true"}},
			"unknown version, commit 9457173a0b1c, 2031-03-04, with changes since" + end},
		{"without git", "(devel)", nil, "unknown version" + end},
		{"installed by the Go command", "v1.2.0", nil, "v1.2.0" + end},
	} {
		info := &debug.BuildInfo{GoVersion: "go1.26.8", Main: debug.Module{Version: tt.version}, Settings: tt.set}
		if got := versionWords(info); got != tt.want {
			t.Errorf("%s: got %q, want %q", tt.name, got, tt.want)
		}
	}
	if got := versionWords(nil); got != "unknown version" {
		t.Errorf("got %q", got)
	}
}
