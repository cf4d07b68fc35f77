//go:build unix

package main

import (
	"os"
	"runtime"
	"syscall"
)

// residentKiB is the largest resident set of a program that ended.
func residentKiB(p *os.ProcessState) int64 {
	usage, ok := p.SysUsage().(*syscall.Rusage)
	if !ok {
		return 0
	}
	if runtime.GOOS == "darwin" {
		return int64(usage.Maxrss) / 1024 // bytes there
	}
	return int64(usage.Maxrss)
}
