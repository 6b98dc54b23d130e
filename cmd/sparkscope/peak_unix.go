//go:build unix

package main

import (
	"os"
	"runtime"
	"syscall"
	"time"
)

// peakMiB is the most memory that a finished process held at once, MiB; 0
// when the system does not say.
func peakMiB(p *os.ProcessState) float64 {
	u, ok := p.SysUsage().(*syscall.Rusage)
	if !ok {
		return 0
	}
	if runtime.GOOS == "darwin" || runtime.GOOS == "ios" {
		return float64(u.Maxrss) / (1 << 20) // bytes there
	}
	return float64(u.Maxrss) / (1 << 10)
}

// processorS is the processor time that this process has used, seconds.
func processorS() (s float64, known bool) {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0, false
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano()).Seconds(), true
}
