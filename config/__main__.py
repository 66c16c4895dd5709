from config.cli import main

raise SystemExit(main())
