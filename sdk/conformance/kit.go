// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
)

// kit is one run of checks over one adapter.
type kit struct {
	o      Options
	limits limits
	target Target
	shop   *shop
	rest   sync.WaitGroup // runs that are ending

	about    *adapterv1beta1.DescribeResponse // nil where it could not be asked
	device   string
	reached  need
	obstacle error        // why no more was reached
	floor    sync.RWMutex // held by those who use a device; alone by those who act on the hardware

	recorded func() (*recording, error)
	stalled  func() (*stalling, error)
	toured   func() (*tour, error)

	mu sync.Mutex // for Progress
}

// need is how far an adapter must have come for a check.
type need int

const (
	needNothing    need = iota
	needDescribed       // it has started and describes itself
	needConfigured      // it takes its configuration
	needDevice          // it lists the device
)

// Check runs the checks. The report tells how each of them ended; an error says that none could be run, because the options
// or the target cannot be used. When the context ends, what is left is reported as unproven.
func Check(ctx context.Context, target Target, options Options) (*Report, error) {
	return run(ctx, target, options, contractLimits())
}

func run(ctx context.Context, target Target, options Options, limits limits) (*Report, error) {
	k, err := newKit(ctx, target, options, limits)
	if err != nil {
		return nil, err
	}
	started := time.Now()
	k.probe(ctx)
	plan := k.plan()
	results := make([]Result, len(plan))
	var (
		all   sync.WaitGroup
		slots = make(chan struct{}, k.o.Parallel)
	)
	// What waits for the most part and opens nothing goes on beside the others.
	beside := func(c check) bool { return c.idle && !k.target.alone() }
	for i, c := range plan {
		if beside(c) {
			all.Go(func() { results[i] = k.perform(ctx, c, len(plan)) })
		}
	}
	for i, c := range plan {
		if beside(c) {
			continue
		}
		slots <- struct{}{}
		all.Go(func() {
			defer func() { <-slots }()
			results[i] = k.perform(ctx, c, len(plan))
		})
	}
	all.Wait()
	return k.report(started, results), k.close()
}

func newKit(ctx context.Context, target Target, options Options, limits limits) (*kit, error) {
	if target == nil {
		return nil, errors.New("there is no target: give an Executable, or what InProcess makes")
	}
	if err := options.check(); err != nil {
		return nil, err
	}
	target, err := target.usable()
	if err != nil {
		return nil, err
	}
	options.fill()
	if target.alone() {
		options.Parallel = 1
	}
	shop, err := newShop(&options)
	if err != nil {
		return nil, err
	}
	k := &kit{o: options, limits: limits, target: target, shop: shop}
	// What these make serves several checks, so it does not end with the one that asked first.
	k.recorded = sync.OnceValues(func() (*recording, error) { return shared(ctx, k, "feed", record) })
	k.stalled = sync.OnceValues(func() (*stalling, error) { return shared(ctx, k, "slow-reader", stall) })
	k.toured = sync.OnceValues(func() (*tour, error) { return shared(ctx, k, "tour", takeTour) })
	return k, nil
}

func (k *kit) close() error {
	k.rest.Wait()
	return k.shop.close()
}

// probe starts the adapter once, to learn what there is to check.
func (k *kit) probe(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, k.o.Timeout)
	defer cancel()
	b := &bench{kit: k, name: "first"}
	defer b.end() //nolint:contextcheck // an adapter is shut down also where the time is over
	k.obstacle = k.explore(ctx, b)
}

func (k *kit) explore(ctx context.Context, b *bench) error {
	l, err := b.launch(ctx, launch{})
	if err != nil {
		return err
	}
	k.about, err = l.Describe(ctx, &adapterv1beta1.DescribeRequest{HostVersion: hostVersion})
	if err != nil {
		k.about = nil
		return fmt.Errorf("Describe ended with %s", describe(err))
	}
	k.reached = needDescribed
	if err := l.configure(ctx, k.o.Configuration, false); err != nil {
		return fmt.Errorf("Configure ended with %s; give the adapter a configuration that it can use (Configuration, --config)", describe(err))
	}
	k.reached = needConfigured
	devices, err := l.list(ctx)
	if err != nil {
		return fmt.Errorf("ListDevices ended with %s", describe(err))
	}
	if err := k.choose(devices); err != nil {
		return err
	}
	k.reached = needDevice
	return nil
}

// choose takes the device that was asked for, or the first.
func (k *kit) choose(devices []*adapterv1beta1.Device) error {
	if len(devices) == 0 {
		return errors.New("no device was listed: plug one in, or give a configuration with which there is one")
	}
	ids := make([]string, len(devices))
	for i, d := range devices {
		ids[i] = d.GetId()
	}
	k.device = cmp.Or(k.o.Device, ids[0])
	if !slices.Contains(ids, k.device) {
		return fmt.Errorf("no device %q was listed, but %s", k.device, list(ids))
	}
	return nil
}

// offers says whether an ability is described.
func (k *kit) offers(a adapterv1beta1.Ability) bool {
	return slices.Contains(k.about.GetAbilities(), a)
}

// plan chooses the checks.
func (k *kit) plan() []check {
	return slices.DeleteFunc(catalogue(), func(c check) bool {
		if len(k.o.Only) > 0 {
			return !slices.Contains(k.o.Only, c.ID)
		}
		return len(k.o.Profiles) > 0 && !slices.Contains(k.o.Profiles, c.Profile)
	})
}

// chosen are the profiles to which the adapter is held.
func (k *kit) chosen() []Profile {
	if len(k.o.Profiles) > 0 {
		return k.o.Profiles
	}
	return slices.DeleteFunc(profiles(), func(p Profile) bool { return !k.described(p) })
}

func (k *kit) described(p Profile) bool {
	a := p.ability()
	return a == adapterv1beta1.Ability_ABILITY_UNSPECIFIED || k.offers(a)
}

// ability is what an adapter describes to be held to the profile.
func (p Profile) ability() adapterv1beta1.Ability {
	switch p {
	case ProfileFeed:
		return adapterv1beta1.Ability_ABILITY_FEED
	case ProfileLink:
		return adapterv1beta1.Ability_ABILITY_LINK
	default:
		return adapterv1beta1.Ability_ABILITY_UNSPECIFIED
	}
}

// perform runs one check.
func (k *kit) perform(ctx context.Context, c check, total int) Result {
	k.tell(Progress{Item: c.Item, Total: total})
	started := time.Now()
	r := k.attempt(ctx, c)
	for n := 1; n < k.o.Attempts && r.counts() && ctx.Err() == nil; n++ {
		r = k.attempt(ctx, c)
	}
	r.Took = time.Since(started)
	k.tell(Progress{Item: c.Item, Result: &r, Total: total})
	return r
}

func (k *kit) attempt(ctx context.Context, c check) Result {
	if err := k.stops(c); err != nil {
		return settle(c.Item, err)
	}
	if unlock := k.lock(c); unlock != nil {
		defer unlock()
	}
	if err := ctx.Err(); err != nil {
		return settle(c.Item, unproven("the run was ended before: %w", context.Cause(ctx)))
	}
	ctx, cancel := context.WithTimeout(ctx, k.o.Timeout)
	defer cancel()
	b := &bench{kit: k, name: c.ID}
	err := c.run(ctx, b)
	if ctx.Err() != nil && err != nil {
		err = unproven("it did not come to its end within %v: raise the timeout if the hardware is slow (%w)", k.o.Timeout, err)
	}
	r := settle(c.Item, err)
	r.Unseen = b.unseen
	if r.counts() {
		for _, l := range b.lives {
			r.Log = append(r.Log, l.tail(5)...)
		}
	}
	b.end() //nolint:contextcheck // see probe
	return r
}

// stops says why a check cannot or need not be run.
func (k *kit) stops(c check) error {
	if k.reached < needDescribed && c.needs > needNothing {
		return unproven("the adapter could not be started: %w", k.obstacle)
	}
	if !k.described(c.Profile) {
		return undescribed(c.Profile.ability().String())
	}
	if c.process && !k.target.hosted() {
		return skip("it needs a process of its own, and the adapter is checked in process")
	}
	if c.lacks != nil {
		if reason := c.lacks(k); reason != "" {
			return skip(reason)
		}
	}
	if k.reached < c.needs {
		return unproven("%w", k.obstacle)
	}
	return nil
}

// lock takes the bench, where a check needs it.
func (k *kit) lock(c check) (unlock func()) {
	switch {
	case c.idle && !k.target.alone():
		return nil
	case c.alone, c.counts && k.o.Hardware.Traffic != nil:
		k.floor.Lock()
		return k.floor.Unlock
	default:
		k.floor.RLock()
		return k.floor.RUnlock
	}
}

func (k *kit) tell(p Progress) {
	if k.o.Progress == nil {
		return
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	k.o.Progress(p)
}

func (k *kit) report(started time.Time, results []Result) *Report {
	r := &Report{
		Target: k.target.String(), Name: k.about.GetName(), Version: k.about.GetVersion(), Device: k.device,
		Started: started, Took: time.Since(started), Partial: len(k.o.Only) > 0, Results: results, NotChecked: notChecked(results),
		Abilities: []string{}, Profiles: []Conformance{},
	}
	for _, a := range k.about.GetAbilities() {
		r.Abilities = append(r.Abilities, strings.ToLower(strings.TrimPrefix(a.String(), "ABILITY_")))
	}
	if !r.Partial {
		for _, p := range k.chosen() {
			r.Profiles = append(r.Profiles, judge(p, results, k.described(p)))
		}
	}
	return r
}

// shared makes what several checks look at.
func shared[T any](ctx context.Context, k *kit, name string, what func(context.Context, *bench) (T, error)) (T, error) {
	ctx, cancel := context.WithTimeout(ctx, k.o.Timeout)
	defer cancel()
	b := &bench{kit: k, name: name}
	defer b.end() //nolint:contextcheck // an adapter is shut down also where the time is over
	return what(ctx, b)
}
