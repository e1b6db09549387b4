/* The calls of FMI 2.0 for co-simulation, around a model of unit.h. No global state: any number of
   instances. Nothing is computed between base steps, so no output follows an input at once. */
#ifdef HC_STANDARD_HEADERS
#include "fmi2Functions.h"
#else
#include "unit_fmi2.h"
#endif
#include "unit.h"

#include <stdlib.h>
#include <string.h>

/* Of a step's length and of the time: shares of a base step that rounding may be off by. The time
   is counted in steps, so that what a simulator adds up need not be exact; a jump is refused. */
#define STEP_TOLERANCE 1e-6
#define TIME_TOLERANCE 0.5
#define TIME_ROUNDING 4.5e-16
#define START_TOLERANCE 0.25

enum { INSTANTIATED = 0, INITIALIZING = 1, RUNNING = 2, TERMINATED = 3, FAILED = 4 };

/* Who sets a variable, and when. */
enum { INPUT = 0, TUNABLE = 1, FIXED = 2, OUTPUT = 3 };

struct real_row {
    int access;
    double start, low, high;
};
struct integer_row {
    int access;
    int32_t start, low, high;
};
struct boolean_row {
    int access;
    int32_t start;
};

static const struct real_row real_rows[HC_REALS] = HC_REAL_ROWS;
static const struct integer_row integer_rows[HC_INTEGERS] = HC_INTEGER_ROWS;
static const struct boolean_row boolean_rows[HC_BOOLEANS] = HC_BOOLEAN_ROWS;

struct instance {
    struct hc_unit_state state;
    const fmi2CallbackFunctions *functions;
    char *name;
};

static double magnitude(double value) { return value < 0.0 ? -value : value; }

/* By how much a sum of numbers of this size may be off. */
static double rounding_of(double size) { return TIME_ROUNDING * magnitude(size); }

/* The standard has a format here; no text of this file holds a per cent sign, and not every
   simulator takes the arguments of one. */
static void say(const struct instance *c, const char *text)
{
    if (c != NULL && c->functions->logger != NULL) {
        c->functions->logger(c->functions->componentEnvironment, c->name, fmi2Error,
                             "logStatusError", text);
    }
}

/* An error after which the instance may be freed, reset, or set to a state that was kept. */
static fmi2Status failed(struct instance *c, const char *text)
{
    c->state.mode = FAILED;
    say(c, text);
    return fmi2Error;
}

/* A call that is refused, and changes nothing. */
static fmi2Status refused(const struct instance *c, const char *text)
{
    say(c, text);
    return fmi2Error;
}

static double time_of(const struct instance *c)
{
    return c->state.start_s + (double)c->state.tick * HC_STEP_S;
}

static void set_starts(struct hc_unit_state *state)
{
    memset(state, 0, sizeof *state);
    for (int i = 0; i < HC_REALS; ++i) {
        state->real[i] = real_rows[i].start;
    }
    for (int i = 0; i < HC_INTEGERS; ++i) {
        state->integer[i] = integer_rows[i].start;
    }
    for (int i = 0; i < HC_BOOLEANS; ++i) {
        state->boolean[i] = boolean_rows[i].start;
    }
}

/* ---- about the unit ---- */

const char *fmi2GetTypesPlatform(void) { return fmi2TypesPlatform; }

const char *fmi2GetVersion(void) { return fmi2Version; }

fmi2Status fmi2SetDebugLogging(fmi2Component unit, fmi2Boolean on, size_t count,
                               const fmi2String categories[])
{
    (void)unit;
    (void)on;
    (void)count;
    (void)categories;
    return fmi2OK; /* Errors alone are told, always. */
}

/* ---- instances ---- */

fmi2Component fmi2Instantiate(fmi2String name, fmi2Type type, fmi2String guid, fmi2String resources,
                              const fmi2CallbackFunctions *functions, fmi2Boolean visible,
                              fmi2Boolean logging)
{
    struct instance *c;
    struct instance none;
    char nameless[] = "?";
    (void)resources;
    (void)visible;
    (void)logging;
    if (functions == NULL) {
        return NULL;
    }
    none.functions = functions;
    none.name = nameless;
    if (name == NULL || name[0] == '\0') {
        say(&none, "an instance needs a name");
        return NULL;
    }
    if (type != fmi2CoSimulation) {
        say(&none, "this unit is for co-simulation only");
        return NULL;
    }
    if (guid == NULL || strcmp(guid, HC_UNIT_GUID) != 0) {
        say(&none, "modelDescription.xml and the C are not of one unit: their GUIDs differ");
        return NULL;
    }
    c = malloc(sizeof *c);
    if (c == NULL) {
        return NULL;
    }
    c->functions = functions;
    c->name = malloc(strlen(name) + 1);
    if (c->name == NULL) {
        free(c);
        return NULL;
    }
    strcpy(c->name, name);
    set_starts(&c->state);
    return c;
}

void fmi2FreeInstance(fmi2Component unit)
{
    struct instance *c = unit;
    if (c != NULL) {
        free(c->name);
        free(c);
    }
}

fmi2Status fmi2SetupExperiment(fmi2Component unit, fmi2Boolean with_tolerance, fmi2Real tolerance,
                               fmi2Real start, fmi2Boolean with_stop, fmi2Real stop)
{
    struct instance *c = unit;
    (void)with_tolerance;
    (void)tolerance;
    (void)with_stop;
    (void)stop;
    if (c == NULL) {
        return fmi2Error; /* There is nobody to tell. */
    }
    if (c->state.mode != INSTANTIATED) {
        return failed(c, "fmi2SetupExperiment is for a new instance");
    }
    if (!(rounding_of(start) <= START_TOLERANCE * HC_STEP_S)) {
        return failed(c, "the start time is not a number, or so far off that it cannot tell steps");
    }
    c->state.start_s = start;
    return fmi2OK;
}

fmi2Status fmi2EnterInitializationMode(fmi2Component unit)
{
    struct instance *c = unit;
    if (c == NULL) {
        return fmi2Error; /* There is nobody to tell. */
    }
    if (c->state.mode != INSTANTIATED) {
        return failed(c, "fmi2EnterInitializationMode is for a new instance");
    }
    c->state.mode = INITIALIZING;
    return fmi2OK;
}

fmi2Status fmi2ExitInitializationMode(fmi2Component unit)
{
    struct instance *c = unit;
    const char *fault;
    if (c == NULL) {
        return fmi2Error; /* There is nobody to tell. */
    }
    if (c->state.mode != INITIALIZING) {
        return failed(c, "fmi2ExitInitializationMode follows fmi2EnterInitializationMode");
    }
    fault = hc_model_start(&c->state);
    if (fault != NULL) {
        return failed(c, fault);
    }
    c->state.mode = RUNNING;
    return fmi2OK;
}

fmi2Status fmi2Terminate(fmi2Component unit)
{
    struct instance *c = unit;
    if (c == NULL) {
        return fmi2Error; /* There is nobody to tell. */
    }
    if (c->state.mode != RUNNING) {
        return failed(c, "fmi2Terminate is for an instance that runs");
    }
    c->state.mode = TERMINATED;
    return fmi2OK;
}

fmi2Status fmi2Reset(fmi2Component unit)
{
    struct instance *c = unit;
    if (c == NULL) {
        return fmi2Error; /* There is nobody to tell. */
    }
    set_starts(&c->state);
    return fmi2OK;
}

/* ---- variables ---- */

/* What stands against setting a variable now; NULL if nothing does. */
static const char *locked(const struct instance *c, int access)
{
    const int mode = c->state.mode;
    if (mode == TERMINATED || mode == FAILED) {
        return "nothing can be set any more";
    }
    if (access == OUTPUT) {
        return "an output cannot be set";
    }
    if (access == FIXED && mode == RUNNING) {
        return "a fixed parameter is set before the end of the initialization";
    }
    return NULL;
}

#define UNKNOWN "there is no such value reference"
#define NOWHERE "a pointer to values is missing"

/* What stands against values at these references, of which there are so many; NULL if nothing. */
static const char *unreachable(const fmi2ValueReference reference[], size_t count,
                               const void *values, int known)
{
    if (count > 0 && (reference == NULL || values == NULL)) {
        return NOWHERE;
    }
    for (size_t i = 0; i < count; ++i) {
        if (reference[i] >= (fmi2ValueReference)known) {
            return UNKNOWN;
        }
    }
    return NULL;
}

/* Before values are told. Outputs may be asked for while inputs and parameters still change. */
static fmi2Status readable(struct instance *c, const fmi2ValueReference reference[], size_t count,
                           const void *values, int known)
{
    const char *fault = unreachable(reference, count, values, known);
    if (c != NULL && fault == NULL && c->state.mode == INITIALIZING) {
        fault = hc_model_start(&c->state);
    }
    return c != NULL && fault == NULL ? fmi2OK : refused(c, fault);
}

fmi2Status fmi2GetReal(fmi2Component unit, const fmi2ValueReference reference[], size_t count,
                       fmi2Real value[])
{
    struct instance *c = unit;
    const fmi2Status status = readable(c, reference, count, value, HC_REALS);
    for (size_t i = 0; i < count && status == fmi2OK; ++i) {
        value[i] = c->state.real[reference[i]];
    }
    return status;
}

fmi2Status fmi2GetInteger(fmi2Component unit, const fmi2ValueReference reference[], size_t count,
                          fmi2Integer value[])
{
    struct instance *c = unit;
    const fmi2Status status = readable(c, reference, count, value, HC_INTEGERS);
    for (size_t i = 0; i < count && status == fmi2OK; ++i) {
        value[i] = c->state.integer[reference[i]];
    }
    return status;
}

fmi2Status fmi2GetBoolean(fmi2Component unit, const fmi2ValueReference reference[], size_t count,
                          fmi2Boolean value[])
{
    struct instance *c = unit;
    const fmi2Status status = readable(c, reference, count, value, HC_BOOLEANS);
    for (size_t i = 0; i < count && status == fmi2OK; ++i) {
        value[i] = c->state.boolean[reference[i]];
    }
    return status;
}

fmi2Status fmi2GetString(fmi2Component unit, const fmi2ValueReference reference[], size_t count,
                         fmi2String value[])
{
    (void)reference;
    (void)value;
    return count == 0 ? fmi2OK : refused(unit, UNKNOWN);
}

fmi2Status fmi2SetReal(fmi2Component unit, const fmi2ValueReference reference[], size_t count,
                       const fmi2Real value[])
{
    struct instance *c = unit;
    const char *reason = unreachable(reference, count, value, HC_REALS);
    if (c == NULL || reason != NULL) {
        return refused(c, reason);
    }
    for (size_t i = 0; i < count; ++i) { /* All are looked at before any is set. */
        const struct real_row *row = &real_rows[reference[i]];
        reason = locked(c, row->access);
        if (reason != NULL) {
            return refused(c, reason);
        }
        if (!(value[i] >= row->low && value[i] <= row->high)) {
            return refused(c, "the value is not a number, or outside the variable's range");
        }
    }
    for (size_t i = 0; i < count; ++i) {
        c->state.real[reference[i]] = value[i];
    }
    return fmi2OK;
}

fmi2Status fmi2SetInteger(fmi2Component unit, const fmi2ValueReference reference[], size_t count,
                          const fmi2Integer value[])
{
    struct instance *c = unit;
    const char *reason = unreachable(reference, count, value, HC_INTEGERS);
    if (c == NULL || reason != NULL) {
        return refused(c, reason);
    }
    for (size_t i = 0; i < count; ++i) { /* All are looked at before any is set. */
        const struct integer_row *row = &integer_rows[reference[i]];
        reason = locked(c, row->access);
        if (reason != NULL) {
            return refused(c, reason);
        }
        if (value[i] < row->low || value[i] > row->high) {
            return refused(c, "the value is outside the variable's range");
        }
    }
    for (size_t i = 0; i < count; ++i) {
        c->state.integer[reference[i]] = value[i];
    }
    return fmi2OK;
}

fmi2Status fmi2SetBoolean(fmi2Component unit, const fmi2ValueReference reference[], size_t count,
                          const fmi2Boolean value[])
{
    struct instance *c = unit;
    const char *reason = unreachable(reference, count, value, HC_BOOLEANS);
    if (c == NULL || reason != NULL) {
        return refused(c, reason);
    }
    for (size_t i = 0; i < count; ++i) { /* All are looked at before any is set. */
        reason = locked(c, boolean_rows[reference[i]].access);
        if (reason != NULL) {
            return refused(c, reason);
        }
    }
    for (size_t i = 0; i < count; ++i) {
        c->state.boolean[reference[i]] = value[i] != fmi2False;
    }
    return fmi2OK;
}

fmi2Status fmi2SetString(fmi2Component unit, const fmi2ValueReference reference[], size_t count,
                         const fmi2String value[])
{
    (void)reference;
    (void)value;
    return count == 0 ? fmi2OK : refused(unit, UNKNOWN);
}

/* ---- the state as a whole ---- */

fmi2Status fmi2GetFMUstate(fmi2Component unit, fmi2FMUstate *state)
{
    struct instance *c = unit;
    struct hc_unit_state *kept;
    if (c == NULL || state == NULL) {
        return refused(c, NOWHERE);
    }
    kept = *state;
    if (kept == NULL) {
        kept = malloc(sizeof *kept);
    }
    if (kept == NULL) {
        return refused(c, "there is no memory for the state");
    }
    *kept = c->state;
    *state = kept;
    return fmi2OK;
}

fmi2Status fmi2SetFMUstate(fmi2Component unit, fmi2FMUstate state)
{
    struct instance *c = unit;
    const struct hc_unit_state *kept = state;
    if (c == NULL) {
        return fmi2Error; /* There is nobody to tell. */
    }
    if (kept == NULL) {
        return refused(c, "there is no state to go on from");
    }
    c->state = *kept;
    return fmi2OK;
}

fmi2Status fmi2FreeFMUstate(fmi2Component unit, fmi2FMUstate *state)
{
    (void)unit;
    if (state != NULL) {
        free(*state);
        *state = NULL;
    }
    return fmi2OK;
}

/* Bytes, in this order: digest of the spec and GUID as text; every number in 8 bytes, the lowest
   first; a check sum of all that. */
#define HEADER (sizeof HC_UNIT_SPEC - 1 + sizeof HC_UNIT_GUID - 1)
#define WHOLE(place, type) +1u
#define REAL(place) +1u
#define MANY(place, length) +(length)
#define NUMBERS \
    ((size_t)(HC_REALS + HC_INTEGERS + HC_BOOLEANS) + 3u HC_WHOLE_FIELDS(WHOLE) \
         HC_REAL_FIELDS(REAL) HC_REAL_ARRAYS(MANY))
#define BYTES (HEADER + 8u * (NUMBERS + 1u))

static unsigned char *put(unsigned char *at, uint64_t number)
{
    for (int i = 0; i < 8; ++i) {
        *at++ = (unsigned char)(number >> (8 * i) & 255u);
    }
    return at;
}

static const unsigned char *get(const unsigned char *at, uint64_t *number)
{
    *number = 0;
    for (int i = 0; i < 8; ++i) {
        *number |= (uint64_t)*at++ << (8 * i);
    }
    return at;
}

static unsigned char *put_real(unsigned char *at, double value)
{
    uint64_t bits;
    memcpy(&bits, &value, sizeof bits);
    return put(at, bits);
}

static const unsigned char *get_real(const unsigned char *at, double *value)
{
    uint64_t bits;
    at = get(at, &bits);
    memcpy(value, &bits, sizeof bits);
    return at;
}

/* FNV-1a, 64 bits (Fowler, Noll, Vo; constants from memory). */
static uint64_t check_sum(const unsigned char *bytes, size_t count)
{
    uint64_t sum = UINT64_C(0xcbf29ce484222325);
    for (size_t i = 0; i < count; ++i) {
        sum = (sum ^ bytes[i]) * UINT64_C(0x100000001b3);
    }
    return sum;
}

#define PUT(place, type) at = put(at, (uint64_t)(int64_t)state->model.place);
#define PUT_REAL(place) at = put_real(at, state->model.place);
#define PUT_REALS(place, length) \
    for (int i = 0; i < (length); ++i) { \
        at = put_real(at, state->model.place[i]); \
    }

static void store(const struct hc_unit_state *state, unsigned char *bytes)
{
    unsigned char *at = bytes;
    memcpy(at, HC_UNIT_SPEC HC_UNIT_GUID, HEADER);
    at += HEADER;
    for (int i = 0; i < HC_REALS; ++i) {
        at = put_real(at, state->real[i]);
    }
    for (int i = 0; i < HC_INTEGERS; ++i) {
        at = put(at, (uint64_t)(int64_t)state->integer[i]);
    }
    for (int i = 0; i < HC_BOOLEANS; ++i) {
        at = put(at, (uint64_t)(int64_t)state->boolean[i]);
    }
    at = put(at, (uint64_t)(int64_t)state->mode);
    at = put(at, state->tick);
    at = put_real(at, state->start_s);
    HC_WHOLE_FIELDS(PUT)
    HC_REAL_FIELDS(PUT_REAL)
    HC_REAL_ARRAYS(PUT_REALS)
    put(at, check_sum(bytes, (size_t)(at - bytes)));
}

#define GET(place, type) \
    at = get(at, &number); \
    state->model.place = (type)(int64_t)number;
#define GET_REAL(place) at = get_real(at, &state->model.place);
#define GET_REALS(place, length) \
    for (int i = 0; i < (length); ++i) { \
        at = get_real(at, &state->model.place[i]); \
    }

static void load(struct hc_unit_state *state, const unsigned char *bytes)
{
    const unsigned char *at = bytes + HEADER;
    uint64_t number;
    memset(state, 0, sizeof *state);
    for (int i = 0; i < HC_REALS; ++i) {
        at = get_real(at, &state->real[i]);
    }
    for (int i = 0; i < HC_INTEGERS; ++i) {
        at = get(at, &number);
        state->integer[i] = (int32_t)(int64_t)number;
    }
    for (int i = 0; i < HC_BOOLEANS; ++i) {
        at = get(at, &number);
        state->boolean[i] = (int32_t)(int64_t)number;
    }
    at = get(at, &number);
    state->mode = (int32_t)(int64_t)number;
    at = get(at, &state->tick);
    at = get_real(at, &state->start_s);
    HC_WHOLE_FIELDS(GET)
    HC_REAL_FIELDS(GET_REAL)
    HC_REAL_ARRAYS(GET_REALS)
    (void)at;
    if (state->mode == RUNNING || state->mode == TERMINATED) {
        hc_model_loaded(state);
    }
}

fmi2Status fmi2SerializedFMUstateSize(fmi2Component unit, fmi2FMUstate state, size_t *size)
{
    (void)state;
    if (size == NULL) {
        return refused(unit, NOWHERE);
    }
    *size = BYTES;
    return fmi2OK;
}

fmi2Status fmi2SerializeFMUstate(fmi2Component unit, fmi2FMUstate state, fmi2Byte bytes[],
                                 size_t size)
{
    if (state == NULL || bytes == NULL || size < BYTES) {
        return refused(unit, "there is no state, or no room for its bytes");
    }
    store(state, (unsigned char *)bytes);
    return fmi2OK;
}

/* What stands against taking these bytes for a state of this unit; NULL if nothing does. */
static const char *foreign(const unsigned char *bytes, size_t size)
{
    uint64_t sum;
    if (bytes == NULL || size < HEADER) {
        return "this is no state of a unit: it is too short";
    }
    if (memcmp(bytes, HC_UNIT_SPEC, sizeof HC_UNIT_SPEC - 1) != 0) {
        return "this state is of another spec";
    }
    if (memcmp(bytes, HC_UNIT_SPEC HC_UNIT_GUID, HEADER) != 0) {
        return "this state is of another unit of this spec, or of another version of it";
    }
    if (size < BYTES) {
        return "the end of this state is missing";
    }
    get(bytes + BYTES - 8, &sum);
    return sum == check_sum(bytes, BYTES - 8) ? NULL : "this state is damaged";
}

fmi2Status fmi2DeSerializeFMUstate(fmi2Component unit, const fmi2Byte bytes[], size_t size,
                                   fmi2FMUstate *state)
{
    const unsigned char *from = (const unsigned char *)bytes;
    const char *reason = foreign(from, size);
    struct hc_unit_state *kept;
    if (reason != NULL || state == NULL) {
        return refused(unit, reason != NULL ? reason : NOWHERE);
    }
    kept = *state;
    if (kept == NULL) {
        kept = malloc(sizeof *kept);
    }
    if (kept == NULL) {
        return refused(unit, "there is no memory for the state");
    }
    load(kept, from);
    *state = kept;
    return fmi2OK;
}

/* ---- steps ---- */

fmi2Status fmi2DoStep(fmi2Component unit, fmi2Real time, fmi2Real step, fmi2Boolean no_way_back)
{
    struct instance *c = unit;
    const char *fault;
    (void)no_way_back;
    if (c == NULL) {
        return fmi2Error; /* There is nobody to tell. */
    }
    if (c->state.mode != RUNNING) {
        return refused(c, "fmi2DoStep is for an instance that was initialized and runs");
    }
    if (!(magnitude(time - time_of(c)) <= TIME_TOLERANCE * HC_STEP_S)) {
        return refused(c, "this step does not begin where the last one ended");
    }
    /* The time is near the unit's own by now, so its rounding is finite, and small beside a step. */
    if (!(magnitude(step - HC_STEP_S) <= STEP_TOLERANCE * HC_STEP_S + rounding_of(time))) {
        return refused(c, "a step has the length " HC_STEP_TEXT " s, no other");
    }
    fault = hc_model_step(&c->state);
    if (fault != NULL) {
        return failed(c, fault);
    }
    ++c->state.tick;
    return fmi2OK;
}

fmi2Status fmi2CancelStep(fmi2Component unit)
{
    return refused(unit, "no step is under way");
}

fmi2Status fmi2GetRealStatus(fmi2Component unit, const fmi2StatusKind kind, fmi2Real *value)
{
    const struct instance *c = unit;
    if (kind != fmi2LastSuccessfulTime) {
        return fmi2Discard;
    }
    if (c == NULL || value == NULL) {
        return refused(c, NOWHERE);
    }
    *value = time_of(c);
    return fmi2OK;
}

fmi2Status fmi2GetBooleanStatus(fmi2Component unit, const fmi2StatusKind kind, fmi2Boolean *value)
{
    if (kind != fmi2Terminated) {
        return fmi2Discard;
    }
    if (value == NULL) {
        return refused(unit, NOWHERE);
    }
    *value = fmi2False;
    return fmi2OK;
}

/* ---- what this unit has none of ---- */

fmi2Status fmi2GetStatus(fmi2Component unit, const fmi2StatusKind kind, fmi2Status *value)
{
    (void)unit;
    (void)kind;
    (void)value;
    return fmi2Discard;
}

fmi2Status fmi2GetIntegerStatus(fmi2Component unit, const fmi2StatusKind kind, fmi2Integer *value)
{
    (void)unit;
    (void)kind;
    (void)value;
    return fmi2Discard;
}

fmi2Status fmi2GetStringStatus(fmi2Component unit, const fmi2StatusKind kind, fmi2String *value)
{
    (void)unit;
    (void)kind;
    (void)value;
    return fmi2Discard;
}

fmi2Status fmi2SetRealInputDerivatives(fmi2Component unit, const fmi2ValueReference reference[],
                                       size_t count, const fmi2Integer order[],
                                       const fmi2Real value[])
{
    (void)reference;
    (void)count;
    (void)order;
    (void)value;
    return refused(unit, "inputs are not interpolated");
}

fmi2Status fmi2GetRealOutputDerivatives(fmi2Component unit, const fmi2ValueReference reference[],
                                        size_t count, const fmi2Integer order[], fmi2Real value[])
{
    (void)reference;
    (void)count;
    (void)order;
    (void)value;
    return refused(unit, "outputs have no derivatives here");
}

fmi2Status fmi2GetDirectionalDerivative(fmi2Component unit, const fmi2ValueReference unknown[],
                                        size_t unknowns, const fmi2ValueReference known[],
                                        size_t knowns, const fmi2Real known_change[],
                                        fmi2Real unknown_change[])
{
    (void)unknown;
    (void)unknowns;
    (void)known;
    (void)knowns;
    (void)known_change;
    (void)unknown_change;
    return refused(unit, "there are no directional derivatives");
}
