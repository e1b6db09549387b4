/* What a co-simulation slave needs of the C interface of FMI 2.0: types, constants and calls, written
   after the standard (its section 2.1, 2.2 and 4.2). Builders that have the standard's own headers
   may use those: with HC_STANDARD_HEADERS defined, fmi2Functions.h is included in place of this.

   FMI2_FUNCTION_PREFIX, if it is defined, comes before every name: several units may then be linked
   into one program. A shared library has the plain names, so there it must not be defined. */
#ifndef HC_UNIT_FMI2_H
#define HC_UNIT_FMI2_H

#include <stddef.h>

#define fmi2TypesPlatform "default"
#define fmi2Version "2.0"
#define fmi2True 1
#define fmi2False 0

typedef void *fmi2Component;
typedef void *fmi2ComponentEnvironment;
typedef void *fmi2FMUstate;
typedef unsigned int fmi2ValueReference;
typedef double fmi2Real;
typedef int fmi2Integer;
typedef int fmi2Boolean;
typedef char fmi2Char;
typedef const fmi2Char *fmi2String;
typedef char fmi2Byte;

typedef enum { fmi2OK, fmi2Warning, fmi2Discard, fmi2Error, fmi2Fatal, fmi2Pending } fmi2Status;
typedef enum { fmi2ModelExchange, fmi2CoSimulation } fmi2Type;
typedef enum {
    fmi2DoStepStatus, fmi2PendingStatus, fmi2LastSuccessfulTime, fmi2Terminated
} fmi2StatusKind;

typedef struct {
    void (*logger)(fmi2ComponentEnvironment, fmi2String, fmi2Status, fmi2String, fmi2String, ...);
    void *(*allocateMemory)(size_t, size_t);
    void (*freeMemory)(void *);
    void (*stepFinished)(fmi2ComponentEnvironment, fmi2Status);
    fmi2ComponentEnvironment componentEnvironment;
} fmi2CallbackFunctions;

#ifdef FMI2_FUNCTION_PREFIX
#define HC_PASTED(prefix, name) prefix##name
#define HC_NAMED(prefix, name) HC_PASTED(prefix, name)
#define fmi2GetTypesPlatform HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2GetTypesPlatform)
#define fmi2GetVersion HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2GetVersion)
#define fmi2SetDebugLogging HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2SetDebugLogging)
#define fmi2Instantiate HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2Instantiate)
#define fmi2FreeInstance HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2FreeInstance)
#define fmi2SetupExperiment HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2SetupExperiment)
#define fmi2EnterInitializationMode HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2EnterInitializationMode)
#define fmi2ExitInitializationMode HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2ExitInitializationMode)
#define fmi2Terminate HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2Terminate)
#define fmi2Reset HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2Reset)
#define fmi2GetReal HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2GetReal)
#define fmi2GetInteger HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2GetInteger)
#define fmi2GetBoolean HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2GetBoolean)
#define fmi2GetString HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2GetString)
#define fmi2SetReal HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2SetReal)
#define fmi2SetInteger HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2SetInteger)
#define fmi2SetBoolean HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2SetBoolean)
#define fmi2SetString HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2SetString)
#define fmi2GetFMUstate HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2GetFMUstate)
#define fmi2SetFMUstate HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2SetFMUstate)
#define fmi2FreeFMUstate HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2FreeFMUstate)
#define fmi2SerializedFMUstateSize HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2SerializedFMUstateSize)
#define fmi2SerializeFMUstate HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2SerializeFMUstate)
#define fmi2DeSerializeFMUstate HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2DeSerializeFMUstate)
#define fmi2GetDirectionalDerivative HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2GetDirectionalDerivative)
#define fmi2SetRealInputDerivatives HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2SetRealInputDerivatives)
#define fmi2GetRealOutputDerivatives HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2GetRealOutputDerivatives)
#define fmi2DoStep HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2DoStep)
#define fmi2CancelStep HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2CancelStep)
#define fmi2GetStatus HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2GetStatus)
#define fmi2GetRealStatus HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2GetRealStatus)
#define fmi2GetIntegerStatus HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2GetIntegerStatus)
#define fmi2GetBooleanStatus HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2GetBooleanStatus)
#define fmi2GetStringStatus HC_NAMED(FMI2_FUNCTION_PREFIX, fmi2GetStringStatus)
#endif

#if defined(_WIN32) && !defined(FMI2_FUNCTION_PREFIX)
#define FMI2_Export __declspec(dllexport)
#elif defined(__GNUC__) && !defined(FMI2_FUNCTION_PREFIX)
#define FMI2_Export __attribute__((visibility("default")))
#else
#define FMI2_Export
#endif

#ifdef __cplusplus
extern "C" {
#endif

FMI2_Export const char *fmi2GetTypesPlatform(void);
FMI2_Export const char *fmi2GetVersion(void);
FMI2_Export fmi2Status fmi2SetDebugLogging(fmi2Component unit, fmi2Boolean on, size_t count, const
    fmi2String categories[]);
FMI2_Export fmi2Component fmi2Instantiate(fmi2String name, fmi2Type type, fmi2String guid,
    fmi2String resources, const fmi2CallbackFunctions *functions, fmi2Boolean visible, fmi2Boolean
    logging);
FMI2_Export void fmi2FreeInstance(fmi2Component unit);
FMI2_Export fmi2Status fmi2SetupExperiment(fmi2Component unit, fmi2Boolean with_tolerance,
    fmi2Real tolerance, fmi2Real start, fmi2Boolean with_stop, fmi2Real stop);
FMI2_Export fmi2Status fmi2EnterInitializationMode(fmi2Component unit);
FMI2_Export fmi2Status fmi2ExitInitializationMode(fmi2Component unit);
FMI2_Export fmi2Status fmi2Terminate(fmi2Component unit);
FMI2_Export fmi2Status fmi2Reset(fmi2Component unit);
FMI2_Export fmi2Status fmi2GetReal(fmi2Component unit, const fmi2ValueReference reference[],
    size_t count, fmi2Real value[]);
FMI2_Export fmi2Status fmi2GetInteger(fmi2Component unit, const fmi2ValueReference reference[],
    size_t count, fmi2Integer value[]);
FMI2_Export fmi2Status fmi2GetBoolean(fmi2Component unit, const fmi2ValueReference reference[],
    size_t count, fmi2Boolean value[]);
FMI2_Export fmi2Status fmi2GetString(fmi2Component unit, const fmi2ValueReference reference[],
    size_t count, fmi2String value[]);
FMI2_Export fmi2Status fmi2SetReal(fmi2Component unit, const fmi2ValueReference reference[],
    size_t count, const fmi2Real value[]);
FMI2_Export fmi2Status fmi2SetInteger(fmi2Component unit, const fmi2ValueReference reference[],
    size_t count, const fmi2Integer value[]);
FMI2_Export fmi2Status fmi2SetBoolean(fmi2Component unit, const fmi2ValueReference reference[],
    size_t count, const fmi2Boolean value[]);
FMI2_Export fmi2Status fmi2SetString(fmi2Component unit, const fmi2ValueReference reference[],
    size_t count, const fmi2String value[]);
FMI2_Export fmi2Status fmi2GetFMUstate(fmi2Component unit, fmi2FMUstate *state);
FMI2_Export fmi2Status fmi2SetFMUstate(fmi2Component unit, fmi2FMUstate state);
FMI2_Export fmi2Status fmi2FreeFMUstate(fmi2Component unit, fmi2FMUstate *state);
FMI2_Export fmi2Status fmi2SerializedFMUstateSize(fmi2Component unit, fmi2FMUstate state, size_t
    *size);
FMI2_Export fmi2Status fmi2SerializeFMUstate(fmi2Component unit, fmi2FMUstate state, fmi2Byte
    bytes[], size_t size);
FMI2_Export fmi2Status fmi2DeSerializeFMUstate(fmi2Component unit, const fmi2Byte bytes[], size_t
    size, fmi2FMUstate *state);
FMI2_Export fmi2Status fmi2GetDirectionalDerivative(fmi2Component unit, const fmi2ValueReference
    unknown[], size_t unknowns, const fmi2ValueReference known[], size_t knowns, const fmi2Real
    known_change[], fmi2Real unknown_change[]);
FMI2_Export fmi2Status fmi2SetRealInputDerivatives(fmi2Component unit, const fmi2ValueReference
    reference[], size_t count, const fmi2Integer order[], const fmi2Real value[]);
FMI2_Export fmi2Status fmi2GetRealOutputDerivatives(fmi2Component unit, const fmi2ValueReference
    reference[], size_t count, const fmi2Integer order[], fmi2Real value[]);
FMI2_Export fmi2Status fmi2DoStep(fmi2Component unit, fmi2Real time, fmi2Real step, fmi2Boolean
    no_way_back);
FMI2_Export fmi2Status fmi2CancelStep(fmi2Component unit);
FMI2_Export fmi2Status fmi2GetStatus(fmi2Component unit, const fmi2StatusKind kind, fmi2Status
    *value);
FMI2_Export fmi2Status fmi2GetRealStatus(fmi2Component unit, const fmi2StatusKind kind, fmi2Real
    *value);
FMI2_Export fmi2Status fmi2GetIntegerStatus(fmi2Component unit, const fmi2StatusKind kind,
    fmi2Integer *value);
FMI2_Export fmi2Status fmi2GetBooleanStatus(fmi2Component unit, const fmi2StatusKind kind,
    fmi2Boolean *value);
FMI2_Export fmi2Status fmi2GetStringStatus(fmi2Component unit, const fmi2StatusKind kind,
    fmi2String *value);

#ifdef __cplusplus
}
#endif

#endif
