package rig

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"time"
)

// endWithin is how long a process is given to end in order.
const endWithin = 20 * time.Second

// Build builds the program from the module that the working directory is in and
// gives its path in dir.
func Build(ctx context.Context, dir string) (string, error) {
	path := filepath.Join(dir, "fadeledger")
	out, err := exec.CommandContext(ctx, "go", "build", "-o", path, "fadeledger/cmd/fadeledger").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("build the program: %w: %s", err, out)
	}
	return path, nil
}

// process is a child process that may be started again. One fault at a time
// has hold of it.
type process struct {
	name string
	// command makes the process anew, not yet started.
	command func() *exec.Cmd
	log     *os.File
	// fault is held by whatever happens to the process.
	fault sync.Mutex

	mu      sync.Mutex
	cmd     *exec.Cmd
	ended   chan struct{} // closed when cmd has ended
	asked   bool          // its end was asked for
	endings []string      // those that were not
}

// start starts the process.
func (p *process) start() error {
	cmd := p.command()
	cmd.Stdout, cmd.Stderr = p.log, p.log
	cmd.SysProcAttr = childAttributes()
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("start %s: %w", p.name, err)
	}
	ended := make(chan struct{})
	p.mu.Lock()
	p.cmd, p.ended, p.asked = cmd, ended, false
	p.mu.Unlock()
	go func() {
		err := cmd.Wait()
		p.mu.Lock()
		if !p.asked {
			p.endings = append(p.endings, fmt.Sprintf("%s ended by itself: %v", p.name, err))
		}
		p.mu.Unlock()
		close(ended)
	}()
	return nil
}

// running reports whether the process lives.
func (p *process) running() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.cmd == nil {
		return false
	}
	select {
	case <-p.ended:
		return false
	default:
		return true
	}
}

// signal sends a signal; ending says that it asks for the end.
func (p *process) signal(sig syscall.Signal, ending bool) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.cmd == nil {
		return os.ErrProcessDone
	}
	// A process that has ended already is not asked any more.
	select {
	case <-p.ended:
		return os.ErrProcessDone
	default:
	}
	if ending {
		p.asked = true
	}
	return p.cmd.Process.Signal(sig)
}

// kill ends the process by SIGKILL and reports whether that is what it died of.
func (p *process) kill() bool {
	if err := p.signal(syscall.SIGKILL, true); err != nil {
		return false
	}
	<-p.ended
	status, ok := p.cmd.ProcessState.Sys().(syscall.WaitStatus)
	return ok && status.Signaled() && status.Signal() == syscall.SIGKILL
}

// errHung is the error of a process that had to be killed.
var errHung = errors.New("it did not end when asked to, and was killed")

// stop asks the process to end and reports how it did: errHung when it took too
// long and was killed, another error when it ended by a failure.
func (p *process) stop() error {
	if err := p.signal(syscall.SIGTERM, true); err != nil {
		if errors.Is(err, os.ErrProcessDone) {
			return nil
		}
		return fmt.Errorf("stop %s: %w", p.name, err)
	}
	select {
	case <-p.ended:
	case <-time.After(endWithin):
		p.kill()
		return fmt.Errorf("stop %s: still there after %v: %w", p.name, endWithin, errHung)
	}
	if !p.cmd.ProcessState.Success() {
		return fmt.Errorf("stop %s: %v", p.name, p.cmd.ProcessState)
	}
	return nil
}

// pid gives the number of the running process, 0 without one.
func (p *process) pid() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.cmd == nil || p.cmd.Process == nil {
		return 0
	}
	return p.cmd.Process.Pid
}

// unasked gives the ends that nobody asked for.
func (p *process) unasked() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]string(nil), p.endings...)
}

// stopped reports whether a process stands still by SIGSTOP.
func stopped(pid int) bool {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return false
	}
	// The name may hold anything; the state follows its closing bracket.
	_, rest, ok := strings.Cut(string(b), ") ")
	return ok && strings.HasPrefix(rest, "T")
}
