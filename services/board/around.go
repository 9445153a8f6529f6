package board

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"regexp"
	"runtime/debug"
	"time"

	"github.com/google/uuid"
	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"go.opentelemetry.io/otel/propagation"

	"strandline.example/strandline/internal/clock"
)

var (
	requestID    = regexp.MustCompile(`^[A-Za-z0-9._:-]{1,128}$`)
	traceContext = propagation.TraceContext{}
)

type callKey struct{}

// call is what is noted of a request while it runs.
type call struct {
	requestID string
	method    string // the RPC
	reason    string // of the problem it ended with
}

// around is what happens with every request: it gets an id, a trace and a limit, the answer gets its headers, a panic becomes a
// problem, and one line is logged. No line holds anything of the request but its id and the name of the RPC.
func (b *Board) around(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		started := b.config.Clock.Now()
		c := &call{requestID: r.Header.Get("X-Request-Id")}
		if !requestID.MatchString(c.requestID) {
			c.requestID = uuid.NewString()
		}
		ctx := traceContext.Extract(r.Context(), propagation.HeaderCarrier(r.Header))
		r = r.WithContext(context.WithValue(ctx, callKey{}, c))

		h := w.Header()
		h.Set("X-Request-Id", c.requestID)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cache-Control", "no-store")
		if r.TLS != nil {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		r.Body = http.MaxBytesReader(w, r.Body, b.config.MaxBody)

		seen := &statusWriter{ResponseWriter: w, within: b.config.Write}
		defer func() {
			if p := recover(); p != nil {
				if err, ok := p.(error); ok && errors.Is(err, http.ErrAbortHandler) {
					panic(p) // net/http's own way to cut a connection
				}
				b.config.Logger.ErrorContext(ctx, "panic in a handler", "request_id", c.requestID, "panic", p, "stack", string(debug.Stack()))
				if seen.status == 0 {
					b.problem(seen, r, problemOf(http.StatusInternalServerError, "INTERNAL", "a fault of the service; its log has the details"))
				}
			}
			level := slog.LevelDebug
			if seen.status >= 500 {
				level = slog.LevelWarn
			}
			b.config.Logger.Log(ctx, level, "request", "request_id", c.requestID, "method", c.method, "verb", r.Method,
				"status", seen.status, "reason", c.reason, "duration", b.config.Clock.Now().Sub(started))
		}()
		next.ServeHTTP(seen, r)
	})
}

func callOf(ctx context.Context) *call {
	if c, ok := ctx.Value(callKey{}).(*call); ok {
		return c
	}
	return &call{}
}

// noteCall notes the route that the gateway chose.
func noteCall(next runtime.HandlerFunc) runtime.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request, params map[string]string) {
		if p, ok := runtime.HTTPPattern(r.Context()); ok {
			callOf(r.Context()).method = p.String()
		}
		next(w, r, params)
	}
}

type statusWriter struct {
	http.ResponseWriter
	status int
	within time.Duration // what is flushed last must be written in this time
}

// FlushError sends what was written so far. A stream may go on for as long as each of its messages is written in time.
func (w *statusWriter) FlushError() error {
	c := http.NewResponseController(w.ResponseWriter)
	if err := c.SetWriteDeadline(clock.System{}.Now().Add(w.within)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return err
	}
	return c.Flush()
}

func (w *statusWriter) WriteHeader(status int) {
	if w.status == 0 {
		w.status = status
	}
	w.ResponseWriter.WriteHeader(status)
}

func (w *statusWriter) Write(b []byte) (int, error) {
	if w.status == 0 {
		w.status = http.StatusOK
	}
	return w.ResponseWriter.Write(b)
}

// Unwrap lets http.ResponseController find the connection.
func (w *statusWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }
