
using namespace System.Management.Automation
using namespace System.Management.Automation.Language

Register-ArgumentCompleter -Native -CommandName 'tonering' -ScriptBlock {
    param($wordToComplete, $commandAst, $cursorPosition)

    $commandElements = $commandAst.CommandElements
    $command = @(
        'tonering'
        for ($i = 1; $i -lt $commandElements.Count; $i++) {
            $element = $commandElements[$i]
            if ($element -isnot [StringConstantExpressionAst] -or
                $element.StringConstantType -ne [StringConstantType]::BareWord -or
                $element.Value.StartsWith('-') -or
                $element.Value -eq $wordToComplete) {
                break
        }
        $element.Value
    }) -join ';'

    $completions = @(switch ($command) {
        'tonering' {
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help')
            [CompletionResult]::new('-V', '-V ', [CompletionResultType]::ParameterName, 'Print version')
            [CompletionResult]::new('--version', '--version', [CompletionResultType]::ParameterName, 'Print version')
            [CompletionResult]::new('clear', 'clear', [CompletionResultType]::ParameterValue, 'Clear the trouble codes of one module, after keeping them')
            [CompletionResult]::new('compare', 'compare', [CompletionResultType]::ParameterValue, 'Compare a capture before a repair with one after it: what is gone, what stayed, what is new')
            [CompletionResult]::new('diagnose', 'diagnose', [CompletionResultType]::ParameterValue, 'Find the likely causes of a lit ABS lamp from captures of one vehicle')
            [CompletionResult]::new('decode', 'decode', [CompletionResultType]::ParameterValue, 'Show every diagnostic message of a capture, decoded')
            [CompletionResult]::new('drill', 'drill', [CompletionResultType]::ParameterValue, 'A lesson: find an unseen fault, and get marks')
            [CompletionResult]::new('explain', 'explain', [CompletionResultType]::ParameterValue, 'Explain a code, a byte, an identifier, a message or a frame')
            [CompletionResult]::new('live', 'live', [CompletionResultType]::ParameterValue, 'Listen to a CAN link: modules, codes, wheels and likely causes as they come')
            [CompletionResult]::new('rig', 'rig', [CompletionResultType]::ParameterValue, 'Simulate a vehicle with chosen faults')
            [CompletionResult]::new('rules', 'rules', [CompletionResultType]::ParameterValue, 'Show, list, explain and check the rules: causes, findings, checks by hand, cautions')
            [CompletionResult]::new('wheels', 'wheels', [CompletionResultType]::ParameterValue, 'Measure the wheel-speed signals of a capture, or look for them')
            [CompletionResult]::new('help', 'help', [CompletionResultType]::ParameterValue, 'Print this message or the help of the given subcommand(s)')
            break
        }
        'tonering;clear' {
            [CompletionResult]::new('--profile', '--profile', [CompletionResultType]::ParameterName, 'Vehicle profile (YAML): which modules there are, and where the speeds are')
            [CompletionResult]::new('--module', '--module', [CompletionResultType]::ParameterName, 'The module, by its name in the profile; the brake module unless another is named')
            [CompletionResult]::new('--save', '--save', [CompletionResultType]::ParameterName, 'Keep what was read in this new file, a candump log that diagnose reads')
            [CompletionResult]::new('--vehicle-stands', '--vehicle-stands', [CompletionResultType]::ParameterName, 'State that the vehicle stands and cannot roll, where its speed cannot be read')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            break
        }
        'tonering;compare' {
            [CompletionResult]::new('--before', '--before', [CompletionResultType]::ParameterName, 'Captures before the repair, where there are several')
            [CompletionResult]::new('--after', '--after', [CompletionResultType]::ParameterName, 'Captures after the repair, where there are several')
            [CompletionResult]::new('--format', '--format', [CompletionResultType]::ParameterName, 'How to print')
            [CompletionResult]::new('--profile', '--profile', [CompletionResultType]::ParameterName, 'Vehicle profile: modules, wheels, where the signals are')
            [CompletionResult]::new('--case', '--case', [CompletionResultType]::ParameterName, 'Keep the comparison and the hashes in this folder of one vehicle, and list what its earlier visits found')
            [CompletionResult]::new('--output', '--output', [CompletionResultType]::ParameterName, 'Write to this file instead of standard output')
            [CompletionResult]::new('--strict', '--strict', [CompletionResultType]::ParameterName, 'Exit status 1 when something in a capture could not be read')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            break
        }
        'tonering;diagnose' {
            [CompletionResult]::new('--profile', '--profile', [CompletionResultType]::ParameterName, 'Vehicle profile (YAML): modules, wheels, where the signals are')
            [CompletionResult]::new('--notes', '--notes', [CompletionResultType]::ParameterName, 'Inspection notes (YAML): what was checked by hand')
            [CompletionResult]::new('--rules', '--rules', [CompletionResultType]::ParameterName, 'Folder with rules (YAML) that add to the built-in ones or replace them')
            [CompletionResult]::new('--can', '--can', [CompletionResultType]::ParameterName, 'Who does the work: checks and repairs beyond that are not proposed, or cost more')
            [CompletionResult]::new('--hourly-rate', '--hourly-rate', [CompletionResultType]::ParameterName, 'What an hour of work costs, in the currency of the rules')
            [CompletionResult]::new('--jobs', '--jobs', [CompletionResultType]::ParameterName, 'How many captures at a time with --each: as many as there are cores unless a number is given')
            [CompletionResult]::new('--why', '--why', [CompletionResultType]::ParameterName, 'Explain why a cause has its probability: the arithmetic, the rivals, what would change the order')
            [CompletionResult]::new('--format', '--format', [CompletionResultType]::ParameterName, 'Form of the result: text, or json with --each, unless another is named')
            [CompletionResult]::new('--table', '--table', [CompletionResultType]::ParameterName, 'Table of --format csv: codes unless another is named')
            [CompletionResult]::new('--output', '--output', [CompletionResultType]::ParameterName, 'Write to this file instead of standard output; it appears when it is whole')
            [CompletionResult]::new('--case', '--case', [CompletionResultType]::ParameterName, 'Keep report, notes and hashes in this folder of one vehicle, and list what its earlier visits found')
            [CompletionResult]::new('--each', '--each', [CompletionResultType]::ParameterName, 'Diagnose each capture on its own, on all cores: one JSON object a line')
            [CompletionResult]::new('--resume', '--resume', [CompletionResultType]::ParameterName, 'Take up what an earlier run of the same --each and --output has finished')
            [CompletionResult]::new('--ask', '--ask', [CompletionResultType]::ParameterName, 'Walk through the checks: propose the next one, take its result, show what that moves, save it in --notes')
            [CompletionResult]::new('--strict', '--strict', [CompletionResultType]::ParameterName, 'Fail with status 1 when a part of a capture could not be read')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            break
        }
        'tonering;decode' {
            [CompletionResult]::new('--format', '--format', [CompletionResultType]::ParameterName, 'How to print')
            [CompletionResult]::new('--profile', '--profile', [CompletionResultType]::ParameterName, 'Vehicle profile: addresses of the modules')
            [CompletionResult]::new('--output', '--output', [CompletionResultType]::ParameterName, 'Write to this file instead of standard output')
            [CompletionResult]::new('--bytes', '--bytes', [CompletionResultType]::ParameterName, 'Take each message apart byte by byte, with the clause of the standard')
            [CompletionResult]::new('--frames', '--frames', [CompletionResultType]::ParameterName, 'List flow control, other ISO 13400 payloads and the timing as well')
            [CompletionResult]::new('--strict', '--strict', [CompletionResultType]::ParameterName, 'Exit status 1 when something in a capture could not be read')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            break
        }
        'tonering;drill' {
            [CompletionResult]::new('--seed', '--seed', [CompletionResultType]::ParameterName, 'Which lesson: the same number is the same vehicle with the same fault')
            [CompletionResult]::new('--can', '--can', [CompletionResultType]::ParameterName, 'Who works: a careful person at home, or a workshop')
            [CompletionResult]::new('--hourly-rate', '--hourly-rate', [CompletionResultType]::ParameterName, 'What an hour of work costs, in the currency of the rules')
            [CompletionResult]::new('--on', '--on', [CompletionResultType]::ParameterName, 'Also let the vehicle live on this CAN interface, for your own tools; a bench, never the bus of a real vehicle')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            break
        }
        'tonering;explain' {
            [CompletionResult]::new('--format', '--format', [CompletionResultType]::ParameterName, 'How to print')
            [CompletionResult]::new('--output', '--output', [CompletionResultType]::ParameterName, 'Write to this file instead of standard output')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            break
        }
        'tonering;live' {
            [CompletionResult]::new('--for', '--for', [CompletionResultType]::ParameterName, 'Stop by itself after this time: 90s, 10min, 2h')
            [CompletionResult]::new('--record', '--record', [CompletionResultType]::ParameterName, 'Keep every frame in this file: candump text, or pcapng where it ends in .pcapng; never overwrites')
            [CompletionResult]::new('--rotate-size', '--rotate-size', [CompletionResultType]::ParameterName, 'Begin a new file, with the next number, at this size: 100MB')
            [CompletionResult]::new('--rotate-time', '--rotate-time', [CompletionResultType]::ParameterName, 'Begin a new file, with the next number, after this time: 10min')
            [CompletionResult]::new('--profile', '--profile', [CompletionResultType]::ParameterName, 'Vehicle profile (YAML): modules, wheels, where the signals are')
            [CompletionResult]::new('--notes', '--notes', [CompletionResultType]::ParameterName, 'Inspection notes (YAML): what was checked by hand')
            [CompletionResult]::new('--rules', '--rules', [CompletionResultType]::ParameterName, 'Folder with rules (YAML) that add to the built-in ones or replace them')
            [CompletionResult]::new('--can', '--can', [CompletionResultType]::ParameterName, 'Who does the work: checks and repairs beyond that are not proposed, or cost more')
            [CompletionResult]::new('--hourly-rate', '--hourly-rate', [CompletionResultType]::ParameterName, 'What an hour of work costs, in the currency of the rules')
            [CompletionResult]::new('--format', '--format', [CompletionResultType]::ParameterName, 'Write a report in this form at the end; lines of changes then go to standard error')
            [CompletionResult]::new('--output', '--output', [CompletionResultType]::ParameterName, 'Write the report to this file instead of standard output; as text unless --format is given')
            [CompletionResult]::new('--rate', '--rate', [CompletionResultType]::ParameterName, 'How often each of the profile''s signals is asked for, rounds a second; 0 for not at all')
            [CompletionResult]::new('--seek', '--seek', [CompletionResultType]::ParameterName, 'Look for modules: "tester present" to one physical address after the other, 11-bit ones unless said otherwise')
            [CompletionResult]::new('--replay', '--replay', [CompletionResultType]::ParameterName, 'Play this capture onto the link with its own timing, for a lesson. For a bench link, never for a vehicle')
            [CompletionResult]::new('--speed', '--speed', [CompletionResultType]::ParameterName, 'Play it faster or slower: 2 is twice as fast')
            [CompletionResult]::new('--longest-pause', '--longest-pause', [CompletionResultType]::ParameterName, 'Shorten pauses in the capture to this')
            [CompletionResult]::new('--bus', '--bus', [CompletionResultType]::ParameterName, 'Which bus of the capture is played, where it holds several')
            [CompletionResult]::new('--ask', '--ask', [CompletionResultType]::ParameterName, 'Ask, too: a read-only survey of codes and the profile''s signals (docs/asking.md)')
            [CompletionResult]::new('--among-others', '--among-others', [CompletionResultType]::ParameterName, 'Play it although others talk on the link')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            break
        }
        'tonering;rig' {
            [CompletionResult]::new('--fault', '--fault', [CompletionResultType]::ParameterName, 'What is wrong: CAUSE[/FORM][@PLACE][=SEVERITY], as in sensor-circuit/open@left-front=0.7; repeat for more')
            [CompletionResult]::new('--mended', '--mended', [CompletionResultType]::ParameterName, 'What was wrong on the drives before, and has been mended since')
            [CompletionResult]::new('--seed', '--seed', [CompletionResultType]::ParameterName, 'Where all chance comes from: the same seed gives the same bytes')
            [CompletionResult]::new('--drive', '--drive', [CompletionResultType]::ParameterName, 'The drive that is recorded')
            [CompletionResult]::new('--earlier-drives', '--earlier-drives', [CompletionResultType]::ParameterName, 'Drives before it, unrecorded: the modules remember them')
            [CompletionResult]::new('--sensor', '--sensor', [CompletionResultType]::ParameterName, 'How the sensors work')
            [CompletionResult]::new('--wheels', '--wheels', [CompletionResultType]::ParameterName, 'How the wheel speeds come: four-words, axle-pairs, offset-words or four-short (broadcast), polled, none')
            [CompletionResult]::new('--ask', '--ask', [CompletionResultType]::ParameterName, 'When the tester reads the codes')
            [CompletionResult]::new('--stray-codes', '--stray-codes', [CompletionResultType]::ParameterName, 'Codes of other systems, which have nothing to do with the brakes')
            [CompletionResult]::new('--output', '--output', [CompletionResultType]::ParameterName, 'Write the capture to this file instead of standard output; packed when its name ends in .gz')
            [CompletionResult]::new('--format', '--format', [CompletionResultType]::ParameterName, 'The kind of capture')
            [CompletionResult]::new('--profile-out', '--profile-out', [CompletionResultType]::ParameterName, 'Write the vehicle''s profile to this file')
            [CompletionResult]::new('--check', '--check', [CompletionResultType]::ParameterName, 'Do a check by hand for the notes: CHECK[@PLACE], as in air-gap@left-front; repeat for more')
            [CompletionResult]::new('--notes-out', '--notes-out', [CompletionResultType]::ParameterName, 'Write the inspection notes to this file')
            [CompletionResult]::new('--on', '--on', [CompletionResultType]::ParameterName, 'Let the vehicle live on this CAN interface, on a bench only: it broadcasts and answers until stopped')
            [CompletionResult]::new('--for', '--for', [CompletionResultType]::ParameterName, 'With --on: stop after so many seconds')
            [CompletionResult]::new('--random', '--random', [CompletionResultType]::ParameterName, 'Draw vehicle, drive, tester and faults from the seed')
            [CompletionResult]::new('--without-brakes', '--without-brakes', [CompletionResultType]::ParameterName, 'The tester does not ask the brake module')
            [CompletionResult]::new('--clear', '--clear', [CompletionResultType]::ParameterName, 'The tester clears all codes before the drive')
            [CompletionResult]::new('--spirited', '--spirited', [CompletionResultType]::ParameterName, 'Pull away with spinning wheels and brake hard')
            [CompletionResult]::new('--tell', '--tell', [CompletionResultType]::ParameterName, 'Say on standard error what is wrong with the vehicle')
            [CompletionResult]::new('--among-others', '--among-others', [CompletionResultType]::ParameterName, 'With --on: although others already talk there')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help')
            break
        }
        'tonering;rules' {
            [CompletionResult]::new('--rules', '--rules', [CompletionResultType]::ParameterName, 'Folder with rules (YAML) that add to the built-in ones or replace them')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help')
            [CompletionResult]::new('list', 'list', [CompletionResultType]::ParameterValue, 'List the entries of one kind')
            [CompletionResult]::new('explain', 'explain', [CompletionResultType]::ParameterValue, 'Explain an entry: what it rests on and what rests on it')
            [CompletionResult]::new('check', 'check', [CompletionResultType]::ParameterValue, 'Check rule files together with the built-in ones, and report every fault')
            [CompletionResult]::new('try', 'try', [CompletionResultType]::ParameterValue, 'Try the rules against cases with known causes: exit status 1 when one does not come out as expected')
            [CompletionResult]::new('network', 'network', [CompletionResultType]::ParameterValue, 'Write causes, findings and their links as JSON, for programs that calculate with Bayesian networks')
            [CompletionResult]::new('posterior', 'posterior', [CompletionResultType]::ParameterValue, 'The posterior of a network in the form of `rules network`, with readings: for second opinions')
            [CompletionResult]::new('help', 'help', [CompletionResultType]::ParameterValue, 'Print this message or the help of the given subcommand(s)')
            break
        }
        'tonering;rules;list' {
            [CompletionResult]::new('--rules', '--rules', [CompletionResultType]::ParameterName, 'Folder with rules (YAML) that add to the built-in ones or replace them')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            break
        }
        'tonering;rules;explain' {
            [CompletionResult]::new('--rules', '--rules', [CompletionResultType]::ParameterName, 'Folder with rules (YAML) that add to the built-in ones or replace them')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help')
            break
        }
        'tonering;rules;check' {
            [CompletionResult]::new('--rules', '--rules', [CompletionResultType]::ParameterName, 'Folder with rules (YAML) that add to the built-in ones or replace them')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help')
            break
        }
        'tonering;rules;try' {
            [CompletionResult]::new('--format', '--format', [CompletionResultType]::ParameterName, 'How to print what came out')
            [CompletionResult]::new('--rules', '--rules', [CompletionResultType]::ParameterName, 'Folder with rules (YAML) that add to the built-in ones or replace them')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            break
        }
        'tonering;rules;network' {
            [CompletionResult]::new('--rules', '--rules', [CompletionResultType]::ParameterName, 'Folder with rules (YAML) that add to the built-in ones or replace them')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help')
            break
        }
        'tonering;rules;posterior' {
            [CompletionResult]::new('--rules', '--rules', [CompletionResultType]::ParameterName, 'Folder with rules (YAML) that add to the built-in ones or replace them')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help')
            break
        }
        'tonering;rules;help' {
            [CompletionResult]::new('list', 'list', [CompletionResultType]::ParameterValue, 'List the entries of one kind')
            [CompletionResult]::new('explain', 'explain', [CompletionResultType]::ParameterValue, 'Explain an entry: what it rests on and what rests on it')
            [CompletionResult]::new('check', 'check', [CompletionResultType]::ParameterValue, 'Check rule files together with the built-in ones, and report every fault')
            [CompletionResult]::new('try', 'try', [CompletionResultType]::ParameterValue, 'Try the rules against cases with known causes: exit status 1 when one does not come out as expected')
            [CompletionResult]::new('network', 'network', [CompletionResultType]::ParameterValue, 'Write causes, findings and their links as JSON, for programs that calculate with Bayesian networks')
            [CompletionResult]::new('posterior', 'posterior', [CompletionResultType]::ParameterValue, 'The posterior of a network in the form of `rules network`, with readings: for second opinions')
            [CompletionResult]::new('help', 'help', [CompletionResultType]::ParameterValue, 'Print this message or the help of the given subcommand(s)')
            break
        }
        'tonering;rules;help;list' {
            break
        }
        'tonering;rules;help;explain' {
            break
        }
        'tonering;rules;help;check' {
            break
        }
        'tonering;rules;help;try' {
            break
        }
        'tonering;rules;help;network' {
            break
        }
        'tonering;rules;help;posterior' {
            break
        }
        'tonering;rules;help;help' {
            break
        }
        'tonering;wheels' {
            [CompletionResult]::new('--profile', '--profile', [CompletionResultType]::ParameterName, 'Vehicle profile: where the signals are')
            [CompletionResult]::new('--format', '--format', [CompletionResultType]::ParameterName, 'How to print; `yaml` writes what `--find` found as a profile')
            [CompletionResult]::new('--plot', '--plot', [CompletionResultType]::ParameterName, 'Draw speeds, residual over the wheel''s angle, order spectrum and ratio as SVG')
            [CompletionResult]::new('--output', '--output', [CompletionResultType]::ParameterName, 'Write to this file instead of standard output')
            [CompletionResult]::new('--find', '--find', [CompletionResultType]::ParameterName, 'Look for the wheel speeds without knowing where they are')
            [CompletionResult]::new('--strict', '--strict', [CompletionResultType]::ParameterName, 'Exit status 1 when something in a capture could not be read')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            break
        }
        'tonering;help' {
            [CompletionResult]::new('clear', 'clear', [CompletionResultType]::ParameterValue, 'Clear the trouble codes of one module, after keeping them')
            [CompletionResult]::new('compare', 'compare', [CompletionResultType]::ParameterValue, 'Compare a capture before a repair with one after it: what is gone, what stayed, what is new')
            [CompletionResult]::new('diagnose', 'diagnose', [CompletionResultType]::ParameterValue, 'Find the likely causes of a lit ABS lamp from captures of one vehicle')
            [CompletionResult]::new('decode', 'decode', [CompletionResultType]::ParameterValue, 'Show every diagnostic message of a capture, decoded')
            [CompletionResult]::new('drill', 'drill', [CompletionResultType]::ParameterValue, 'A lesson: find an unseen fault, and get marks')
            [CompletionResult]::new('explain', 'explain', [CompletionResultType]::ParameterValue, 'Explain a code, a byte, an identifier, a message or a frame')
            [CompletionResult]::new('live', 'live', [CompletionResultType]::ParameterValue, 'Listen to a CAN link: modules, codes, wheels and likely causes as they come')
            [CompletionResult]::new('rig', 'rig', [CompletionResultType]::ParameterValue, 'Simulate a vehicle with chosen faults')
            [CompletionResult]::new('rules', 'rules', [CompletionResultType]::ParameterValue, 'Show, list, explain and check the rules: causes, findings, checks by hand, cautions')
            [CompletionResult]::new('wheels', 'wheels', [CompletionResultType]::ParameterValue, 'Measure the wheel-speed signals of a capture, or look for them')
            [CompletionResult]::new('help', 'help', [CompletionResultType]::ParameterValue, 'Print this message or the help of the given subcommand(s)')
            break
        }
        'tonering;help;clear' {
            break
        }
        'tonering;help;compare' {
            break
        }
        'tonering;help;diagnose' {
            break
        }
        'tonering;help;decode' {
            break
        }
        'tonering;help;drill' {
            break
        }
        'tonering;help;explain' {
            break
        }
        'tonering;help;live' {
            break
        }
        'tonering;help;rig' {
            break
        }
        'tonering;help;rules' {
            [CompletionResult]::new('list', 'list', [CompletionResultType]::ParameterValue, 'List the entries of one kind')
            [CompletionResult]::new('explain', 'explain', [CompletionResultType]::ParameterValue, 'Explain an entry: what it rests on and what rests on it')
            [CompletionResult]::new('check', 'check', [CompletionResultType]::ParameterValue, 'Check rule files together with the built-in ones, and report every fault')
            [CompletionResult]::new('try', 'try', [CompletionResultType]::ParameterValue, 'Try the rules against cases with known causes: exit status 1 when one does not come out as expected')
            [CompletionResult]::new('network', 'network', [CompletionResultType]::ParameterValue, 'Write causes, findings and their links as JSON, for programs that calculate with Bayesian networks')
            [CompletionResult]::new('posterior', 'posterior', [CompletionResultType]::ParameterValue, 'The posterior of a network in the form of `rules network`, with readings: for second opinions')
            break
        }
        'tonering;help;rules;list' {
            break
        }
        'tonering;help;rules;explain' {
            break
        }
        'tonering;help;rules;check' {
            break
        }
        'tonering;help;rules;try' {
            break
        }
        'tonering;help;rules;network' {
            break
        }
        'tonering;help;rules;posterior' {
            break
        }
        'tonering;help;wheels' {
            break
        }
        'tonering;help;help' {
            break
        }
    })

    $completions.Where{ $_.CompletionText -like "$wordToComplete*" } |
        Sort-Object -Property ListItemText
}
