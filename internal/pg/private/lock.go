package private

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"syscall"
)

// lockFolder takes the folder for this process until the file is closed, which the kernel does when the process dies.
// The file itself stays: deleting it would let two processes lock two files of one name.
func lockFolder(path, dir string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		defer func() { _ = f.Close() }()
		if !errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, fmt.Errorf("lock %s: %w", path, err)
		}
		holder, _ := io.ReadAll(io.LimitReader(f, 32))
		pid := strings.TrimSpace(string(holder))
		if pid == "" {
			pid = "unknown"
		}
		return nil, unusable(fmt.Sprintf("the data folder %s is already in use by pid %s; stop it, or use another folder", dir, pid))
	}
	err = f.Truncate(0)
	if err == nil {
		_, err = f.WriteAt(fmt.Appendf(nil, "%d\n", os.Getpid()), 0)
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("write %s: %w", path, err), f.Close())
	}
	return f, nil
}
