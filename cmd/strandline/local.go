package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

// serverState is what a running server leaves in the data folder, so that commands find it.
type serverState struct {
	PID     int       `json:"pid"`
	GRPC    string    `json:"grpc"`
	HTTP    string    `json:"http,omitempty"`
	TLS     bool      `json:"tls,omitempty"`
	DSN     string    `json:"dsn,omitempty"` // digest, so that a command for another database does not use this server
	Started time.Time `json:"started"`
}

func statePath(data string) string { return filepath.Join(data, "run", "server.json") }

func readServerState(data string) (serverState, error) {
	var s serverState
	raw, err := os.ReadFile(statePath(data))
	if err == nil {
		err = json.Unmarshal(raw, &s)
	}
	return s, err
}

// write puts the state in place whole: a reader sees the old or the new one.
func (s serverState) write(data string) error {
	raw, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		return err
	}
	return writeWhole(statePath(data), append(raw, '\n'), 0o644)
}

// alive says whether the process of the state runs. Whether it is still the server, its port has to answer.
func (s serverState) alive() bool {
	return s.PID > 0 && s.GRPC != "" && (syscall.Kill(s.PID, 0) == nil || errors.Is(syscall.Kill(s.PID, 0), syscall.EPERM))
}

// address is where to dial the server.
func (s serverState) address() string {
	if s.TLS {
		return "https://" + s.GRPC
	}
	return s.GRPC
}

// forgetServer removes the state if it is still that of this process.
func forgetServer(data string) {
	if s, err := readServerState(data); err == nil && s.PID == os.Getpid() {
		_ = os.Remove(statePath(data))
	}
}

func digest(text string) string {
	if text == "" {
		return ""
	}
	sum := sha256.Sum256([]byte(text))
	return hex.EncodeToString(sum[:8])
}

// writeWhole writes a file by way of a temporary one beside it.
func writeWhole(path string, raw []byte, mode os.FileMode) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".new-*")
	if err != nil {
		return err
	}
	defer func() { _ = os.Remove(f.Name()) }() // it is there only if something failed
	_, err = f.Write(raw)
	err = errors.Join(err, f.Chmod(mode), f.Close())
	if err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}

// lockData takes the data folder for this process: only one at a time may run the private database in it. It waits for a command
// that has it, and gives up when ctx ends.
func (a *app) lockData(ctx context.Context) (unlock func() error, err error) {
	path := filepath.Join(a.set.Data, "run", "lock")
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return nil, err
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, err
	}
	told := false
	for {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if err == nil {
			break
		}
		if !errors.Is(err, syscall.EWOULDBLOCK) {
			_ = f.Close()
			return nil, fmt.Errorf("%s: %w", path, err)
		}
		holder, _ := os.ReadFile(path)
		pid := strings.TrimSpace(string(holder))
		if !told {
			a.talkf("Waiting for process %s, which uses the database in %s ...", pid, a.set.Data)
			told = true
		}
		select {
		case <-ctx.Done():
			_ = f.Close()
			return nil, errs.New(errs.Unavailable, "UNAVAILABLE", fmt.Sprintf("the database in %s is in use by process %s", a.set.Data, pid), "pid", pid)
		case <-time.After(100 * time.Millisecond):
		}
	}
	if err := f.Truncate(0); err == nil {
		_, _ = f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
	}
	return f.Close, nil // closing lets go of the lock
}

// positions remembers where the last write of each org stood, beside the server, so that the next command reads at least that.
type positions struct {
	dir string
	clk clock.Clock
}

type savedPosition struct {
	Registry   int64     `json:"registry"`
	History    int64     `json:"history"`
	Compliance int64     `json:"compliance"`
	At         time.Time `json:"at"`
}

// positionLife is how long a remembered position matters: the projection is never longer behind, or reads say so themselves.
const positionLife = 10 * time.Minute

func (p positions) path(org tenant.Org) string {
	return filepath.Join(p.dir, "position-"+org.ID+".json")
}

func (p positions) get(_ context.Context, org tenant.Org) (*typepb.Position, error) {
	var s savedPosition
	raw, err := os.ReadFile(p.path(org))
	if err != nil || json.Unmarshal(raw, &s) != nil || p.clk.Now().Sub(s.At) > positionLife {
		return nil, nil
	}
	return &typepb.Position{Registry: s.Registry, History: s.History, Compliance: s.Compliance}, nil
}

func (p positions) set(org tenant.Org, at *typepb.Position) {
	old, _ := p.get(context.Background(), org)
	s := savedPosition{
		Registry: max(old.GetRegistry(), at.GetRegistry()), History: max(old.GetHistory(), at.GetHistory()),
		Compliance: max(old.GetCompliance(), at.GetCompliance()), At: p.clk.Now(),
	}
	if raw, err := json.Marshal(s); err == nil {
		_ = writeWhole(p.path(org), raw, 0o644) // a hint: without it reads may be a moment older
	}
}
