package e2e_test

import (
	"bufio"
	"context"
	"fmt"
	"net/http"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
)

// crowd is more watches than one connection carries calls at once, of businesses none
// of which has more than it may.
const (
	crowdBusinesses = 3
	crowdWatches    = 45
	// crowdPatience is how long anything may take meanwhile.
	crowdPatience = 10 * time.Second
)

// business makes a business with all desks and returns a client with its key.
func (c client) business(id string) client {
	c.t.Helper()
	desks := []string{"yard", "shop", "books", "admin"}
	c.post("/v1/businesses", object{"requestId": uuid.NewString(), "business": object{"id": id, "displayName": id, "roles": desks}})
	made := c.post("/v1/keys", object{"requestId": uuid.NewString(), "key": object{"business": id, "label": "crowd", "roles": desks}})
	text, _ := made["text"].(string)
	return client{c.t, c.base, text}
}

// watches opens a watch and returns once its first line has come; it is open until ctx
// ends.
func (c client) watches(ctx context.Context, need string, open *sync.WaitGroup) error {
	ctx, cancel := context.WithCancel(ctx)
	late := time.AfterFunc(crowdPatience, cancel)
	defer late.Stop()
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, c.base+"/v1/"+need+":watch", nil)
	if err != nil {
		return err
	}
	request.Header.Set("Authorization", "Bearer "+c.key)
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		cancel()
		return err
	}
	lines := bufio.NewScanner(response.Body)
	if !lines.Scan() || response.StatusCode != http.StatusOK {
		cancel()
		return fmt.Errorf("%d %s %w", response.StatusCode, lines.Text(), lines.Err())
	}
	open.Go(func() {
		defer cancel()
		for lines.Scan() {
			_ = lines.Text() // what else is said
		}
		_ = response.Body.Close()
	})
	return nil
}

// Watches cost their readers' businesses and nobody else: while some businesses have
// more of them open than one connection to a service carries, everybody is answered.
func TestWatchesLeaveRoomForCalls(t *testing.T) {
	t.Parallel()
	for name, launch := range map[string]func(t *testing.T) client{
		"one process": func(t *testing.T) client { t.Helper(); c, _, _ := serveLimited(t); return c },
		"three":       func(t *testing.T) client { t.Helper(); _, _, c := apart(t); return c },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := launch(t)
			ctx, cancel := context.WithCancel(t.Context())
			var open sync.WaitGroup
			defer open.Wait()
			defer cancel()
			for b := range crowdBusinesses {
				reader := c.business(fmt.Sprintf("crowd-%d", b))
				saved := reader.post("/v1/needs", object{"need": solane(), "requestId": uuid.NewString()})
				need, _ := at(t, saved, "savedNeed", "name").(string)
				for n := range crowdWatches {
					if err := reader.watches(ctx, need, &open); err != nil {
						t.Fatalf("business %d, watch %d: %v", b, n, err)
					}
				}
			}
			began := time.Now()
			code, answer := c.do(http.MethodGet, "/v1/listings/kettlewick.1", nil)
			if code != http.StatusNotFound && code != http.StatusOK || time.Since(began) > crowdPatience {
				t.Errorf("a read after %d watches: %d %v after %v", crowdBusinesses*crowdWatches, code, answer, time.Since(began))
			}
			if code, answer := c.do(http.MethodGet, "/readyz", nil); code != http.StatusOK {
				t.Errorf("readiness: %d %v", code, answer)
			}
		})
	}
}
